"""The ground truth of one hammer: a sequence of pieces with constant conditions, and exact signals at any instant.

Within a piece the pressure level and the oil follow an exponential approach and blows come at one rate, so
signals are evaluated, not stepped: the same instant gives the same value whatever grid it is asked on.
"""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats, Ints
from strikewatch.core.instant import SECOND, Instant
from strikewatch.demo.breaker import Breaker, pulse
from strikewatch.demo.labels import Label
from strikewatch.demo.oil import OilCircuit, approach, crossing_s
from strikewatch.demo.stance import BARE, Stance

MILLI: Final = 1_000_000
HOT_C: Final = 80.0
COLD_C: Final = 20.0
IDLE_LOSS_W: Final = 3_000.0
"""Pump and travel heat the oil a little even when the hammer rests."""

PIECE: Final = np.dtype(
    [
        ("start_ns", np.int64),
        ("firing", np.bool_),
        ("rpm", np.float64),
        ("x_m", np.float64),
        ("y_m", np.float64),
        ("bar", np.float64),
        ("bar_final", np.float64),
        ("bar_tau_s", np.float64),
        ("phase", np.float64),
        ("rate_hz", np.float64),
        ("swing_bar", np.float64),
        ("oil_c", np.float64),
        ("oil_final_c", np.float64),
        ("oil_tau_s", np.float64),
        *((name, np.float64) for name in Stance._fields),
    ]
)
"""`bar`, `phase`, `oil_c`: the state at its start; `_final` and `_tau_s`: where it tends to, and how fast."""


class Timeline:
    """Extended by `advance`; the other methods return signals. Times are whole milliseconds after `start_ns`."""

    def __init__(
        self,
        hammer: str,
        start_ns: Instant,
        breaker: Breaker,
        circuit: OilCircuit,
        oil_c: float,
        air_c: Callable[[Instant], float],
    ) -> None:
        self.hammer = hammer
        self.start_ns = self.now_ns = start_ns
        self.breaker = breaker
        self.circuit = circuit
        self.air_c = air_c
        self.oil_c = oil_c
        self.bar = 0.0
        self.phase = 0.0
        self.x_m = self.y_m = 0.0
        self.stance = BARE
        self.running_s = 0.0
        self.labels: list[Label] = []
        self._pieces: list[tuple[Any, ...]] = []
        self._hot: list[float] | None = None
        self._table: npt.NDArray[np.void] | None = None

    def label(self, truth: str, start_ns: Instant, end_ns: Instant, **fields: Any) -> None:
        """Add a label."""
        self.labels.append(Label(truth, self.hammer, start_ns, end_ns, fields))

    def advance(
        self,
        lasting_s: float,
        rpm: float,
        firing: bool = False,
        flow: float = 1.0,
        hard: float = 0.0,
        blank: float = 0.0,
    ) -> None:
        """Let `lasting_s` pass (to the millisecond) with the engine at `rpm`, firing or not."""
        breaker, circuit = self.breaker, self.circuit
        step_ns = round(lasting_s * 1000.0) * MILLI
        if step_ns <= 0:
            return
        step_s = step_ns / SECOND
        running = rpm > 0.0
        if firing:
            bar_final, bar_tau_s = breaker.working_bar(flow, hard, blank), breaker.rise_s
            rate_hz, swing_bar = breaker.rate_hz(flow, hard, blank), breaker.swing_bar(blank)
            loss_w = breaker.loss_w(flow, hard, blank) + IDLE_LOSS_W
        else:
            bar_final, bar_tau_s = breaker.standby_bar * running, breaker.decay_s
            rate_hz = swing_bar = 0.0
            loss_w = IDLE_LOSS_W * running
        oil_final_c = circuit.final_c(loss_w, self.air_c(self.now_ns), running)
        oil_tau_s = circuit.time_constant_s(running)
        where = (self.now_ns, firing, rpm, self.x_m, self.y_m)
        supply = (self.bar, bar_final, bar_tau_s, self.phase, rate_hz, swing_bar)
        self._pieces.append((*where, *supply, self.oil_c, oil_final_c, oil_tau_s, *self.stance))
        self._table = None
        self._heat(firing, step_s, oil_final_c, oil_tau_s)
        self.bar = approach(self.bar, bar_final, bar_tau_s, step_s)
        self.phase = (self.phase + rate_hz * step_s) % 1.0 if firing else 0.0
        self.running_s += step_s * running
        self.now_ns += step_ns

    def _heat(self, firing: bool, step_s: float, final_c: float, tau_s: float) -> None:
        """Advance the oil over one piece, and its hot spell: [from ns, peak degC, firing s]."""
        end_c = approach(self.oil_c, final_c, tau_s, step_s)
        crossed_s = crossing_s(self.oil_c, final_c, tau_s, HOT_C)
        if crossed_s is not None and crossed_s >= step_s:
            crossed_s = None
        if self._hot is None and (crossed_s is not None or self.oil_c > HOT_C):
            entered_s = crossed_s or 0.0
            self._hot = [self.now_ns + round(entered_s * SECOND), end_c, (step_s - entered_s) * firing]
        elif self._hot is not None:
            self._hot[1] = max(self._hot[1], self.oil_c, end_c)
            self._hot[2] += (step_s if crossed_s is None else crossed_s) * firing
            if crossed_s is not None:
                self._cool(self.now_ns + round(crossed_s * SECOND))
        self.oil_c = end_c

    def _cool(self, end_ns: Instant) -> None:
        if self._hot is not None:
            start_ns, peak_c, firing_s = self._hot
            self.label("hot", int(start_ns), end_ns, peak_c=round(peak_c, 2), firing_s=round(firing_s, 3))
        self._hot = None

    def close(self) -> None:
        """End the timeline; an open hot spell ends with it."""
        self._cool(self.now_ns)

    def _at(self, time_ns: Ints) -> tuple[npt.NDArray[np.void], Floats]:
        """The piece of each instant, and seconds into it."""
        if self._table is None:
            self._table = np.array(self._pieces, PIECE)
        found = self._table[np.searchsorted(self._table["start_ns"], time_ns, side="right") - 1]
        return found, (time_ns - found["start_ns"]) / SECOND

    def piece_starts_ns(self) -> Ints:
        """The instants at which something changes."""
        return np.array([piece[0] for piece in self._pieces], np.int64)

    def pressure_bar(self, time_ns: Ints) -> Floats:
        """Supply pressure with its pulses, bar, at instants [n] of the timeline."""
        piece, into_s = self._at(time_ns)
        fallen = (piece["bar"] - piece["bar_final"]) * np.exp(-into_s / piece["bar_tau_s"])
        blows = piece["phase"] + piece["rate_hz"] * into_s
        level: Floats = piece["bar_final"] + fallen + piece["swing_bar"] * pulse(blows)
        return level

    def true_oil_c(self, time_ns: Ints) -> Floats:
        """Oil temperature, degC, at instants [n]."""
        piece, into_s = self._at(time_ns)
        fallen = (piece["oil_c"] - piece["oil_final_c"]) * np.exp(-into_s / piece["oil_tau_s"])
        oil_c: Floats = piece["oil_final_c"] + fallen
        return oil_c

    def firing(self, time_ns: Ints) -> npt.NDArray[np.bool_]:
        """Whether blows are struck, at instants [n]."""
        struck: npt.NDArray[np.bool_] = self._at(time_ns)[0]["firing"]
        return struck

    def value_at(self, name: str, time_ns: Ints) -> Floats:
        """`rpm`, `x_m`, `y_m` or a field of the stance at instants [n]."""
        values: Floats = self._at(time_ns)[0][name]
        return values
