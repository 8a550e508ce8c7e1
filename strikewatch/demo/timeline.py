"""The ground truth of one hammer: labels, and a sequence of pieces with constant conditions that give exact signals.

Within a piece the pressure level and the oil follow an exponential approach and blows come at one rate, so
signals are evaluated, not stepped: the value at an instant does not depend on the grid.
"""

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from strikewatch.core import instant
from strikewatch.core.batch import Floats, Ints
from strikewatch.core.instant import SECOND, Instant
from strikewatch.demo.machine import BARE, Breaker, OilCircuit, Stance, approach, crossing_s, pulse

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


@dataclass(frozen=True, slots=True)
class Label:
    """What was true of `hammer` from `start_ns` to `end_ns`.

    `record` is one line of `labels.jsonl`: `{"truth": word, "hammer": ..., "from": time, "to": time}` and more
    fields by word:

    ====================  =================================================================================
    `at_controls`         `operator`, `signed_on`: who was at the controls, and whether they signed on
    `linger`              `operator`, `firing_s`: 15 s of firing or more without moving the tool
    `blank`               `operator`, `kind` (start, middle, end of a bout), `fall` (share of pressure lost), `s`
    `hot`                 `peak_c`, `firing_s`: oil above 80 degC in truth, and the firing time meanwhile
    `cold`                `operator`, `firing_s`: firing while the oil was below 20 degC, up to when it was warm
    `grease_overdue`      `running_h`: engine hours since the last greasing beyond 2, until greased or the end
    `unchecked`           `operator`: a work period that began without the walkaround inspection, until the first blow
    `low_engine_speed`, `end_of_stroke`, `over_side`, `off_square`, `feed_force`, `prying`, `submerged`
                          `operator`, `s`: on an instrumented carrier, seconds of firing (of prying: in total)
    `grease_low`          `level`: the reservoir of the automatic greasing below a tenth, until filled
    `no_grease_flow`      `firing_s`: its pump gives no flow
    `misread`             `operator`: the hour meter was entered wrongly, until the next entry
    `inspection_due`      7 days or 50 h since the last one, until done; `service_due`: 1,000 h, likewise
    `idle`                `days`: it did not fire; `unprepared`: it fired again before the check
    `hard_stone`          `hard` 0..1: pressure lower and rate higher, yet no fault
    `throttled`           `operator`, `flow`: pressure and rate lower, yet the tool is loaded
    `engine_off`          nobody works: lunch, greasing, the check
    `signal_lost`         `cause`: samples that are lost
    `backlog`             samples that arrived only at its end or later
    `duplicates`          `rows`: samples that arrived twice
    `wrong_clock`         `by_s`: stamped that many seconds late (positive) or early (negative)
    `out_of_range`        `channel`: readings that mean a broken sensor or "not available"
    ====================  =================================================================================
    """

    truth: str
    hammer: str
    start_ns: Instant
    end_ns: Instant
    fields: dict[str, Any] = field(default_factory=dict)

    def record(self) -> dict[str, Any]:
        """Return the object of a line of `labels.jsonl`."""
        first = {"truth": self.truth, "hammer": self.hammer}
        span = {"from": instant.text(self.start_ns), "to": instant.text(self.end_ns)}
        return first | span | self.fields


def label_lines(labels: Iterable[Label]) -> str:
    """Return labels as JSON lines, by time, hammer and truth."""
    ordered = sorted(labels, key=lambda label: (label.start_ns, label.hammer, label.truth, label.end_ns))
    return "".join(json.dumps(label.record()) + "\n" for label in ordered)


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
        duration_s: float,
        rpm: float,
        firing: bool = False,
        flow: float = 1.0,
        hard: float = 0.0,
        blank: float = 0.0,
    ) -> None:
        """Let `duration_s` pass (to the millisecond) with the engine at `rpm`, firing or not."""
        breaker, circuit = self.breaker, self.circuit
        step_ns = round(duration_s * 1000.0) * MILLI
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
        state = (self.now_ns, firing, rpm, self.x_m, self.y_m)
        supply = (self.bar, bar_final, bar_tau_s, self.phase, rate_hz, swing_bar)
        self._pieces.append((*state, *supply, self.oil_c, oil_final_c, oil_tau_s, *self.stance))
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
        pieces = self._table[np.searchsorted(self._table["start_ns"], time_ns, side="right") - 1]
        return pieces, (time_ns - pieces["start_ns"]) / SECOND

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
