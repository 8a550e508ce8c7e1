"""Simulate a gateway: which channels it samples, how often, with what noise and resolution, and faults of the feed."""

from dataclasses import dataclass, replace
from typing import Any, Final, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats, Ints, Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND, Instant
from strikewatch.demo.timeline import Label, Timeline

Form = Literal["block", "imperial", "senml", "instant"]
"""On the wire: columnar blocks of 1 s, the same in degF and psi, SenML packs of 1 s, single instants."""

PRESSURE_NOISE_BAR: Final = 0.8
OIL_NOISE_C: Final = 0.06
ENGINE_NOISE_RPM: Final = 5.0
POSE_NOISE_M: Final = 0.02
AVERAGED_OVER: Final = 8
POSE_EVERY_S: Final = 1.0
OIL_EVERY_S: Final = 5.0
EVERY_ROW_S: Final = 0.0


class Probe(NamedTuple):
    """A further sensor: its noise, how many steps it resolves of a unit, and how often it is sampled."""

    noise: float
    steps: float
    every_s: float


PROBES: Final = {
    "tool_z_m": Probe(0.02, 100.0, 1.0),
    "swing_deg": Probe(0.3, 10.0, 1.0),
    "tilt_deg": Probe(0.3, 10.0, 1.0),
    "boom_stroke": Probe(0.002, 1000.0, 1.0),
    "stick_stroke": Probe(0.002, 1000.0, 1.0),
    "bucket_stroke": Probe(0.002, 1000.0, 1.0),
    "feed_bar": Probe(0.8, 2.0, EVERY_ROW_S),
    "side_load_bar": Probe(0.8, 2.0, EVERY_ROW_S),
    "water_m": Probe(0.01, 100.0, 1.0),
    "grease_level": Probe(0.0005, 1000.0, 10.0),
    "grease_flow": Probe(0.0, 1.0, 10.0),
}
"""The sensors of an instrumented carrier, by channel. All invented."""
ANGLES: Final = dict.fromkeys(("boom_deg", "stick_deg", "bucket_deg"), Probe(0.1, 10.0, 1.0))


@dataclass(frozen=True, slots=True)
class Feed:
    """A row every `step_s`. `averaged`: pressure is the mean over the step before, else of the instant.

    `instrumented`: with all additional sensors (PROBES). `angles`: with the angles of the arm.
    `run_on_s`: how long the gateway runs on after the ignition is off; None = own supply.
    """

    step_s: float = 0.1
    averaged: bool = False
    active: bool = True
    engine: bool = True
    pose: bool = False
    instrumented: bool = False
    angles: bool = False
    run_on_s: float | None = 20.0
    form: Form = "block"


def sense(line: Timeline, feed: Feed, start_ns: Instant, stop_ns: Instant, rng: np.random.Generator) -> Rows:
    """Sample a timeline: rows on the feed's grid within [start_ns, stop_ns), rounded to what its sensors resolve."""
    step_ns = round(feed.step_s * SECOND)
    first, last = (-(-(edge - line.start_ns) // step_ns) for edge in (start_ns, min(stop_ns, line.now_ns)))
    tick = np.arange(first, max(last, first), dtype=np.int64)
    time_ns: Ints = line.start_ns + tick * step_ns
    if feed.run_on_s is not None:
        before_ns = np.maximum(time_ns - round(feed.run_on_s * SECOND), line.start_ns)
        powered = (line.value_at("rpm", time_ns) > 0.0) | (line.value_at("rpm", before_ns) > 0.0)
        tick, time_ns = tick[powered], time_ns[powered]

    def noisy(true: Floats, noise: float, decimals: int) -> Floats:
        return np.round(true + rng.normal(0.0, noise, len(true)), decimals)

    def every(period_s: float, column: Floats) -> Floats:
        """Keep only what is sampled once a period."""
        return np.where(tick % max(1, round(period_s / feed.step_s)) == 0, column, np.nan)

    columns: dict[str, Floats] = {}
    if feed.active:
        columns["active"] = line.firing(time_ns).astype(np.float64)
    columns["pressure_bar"] = (
        np.round(2.0 * noisy(_pressure_bar(line, feed, time_ns), PRESSURE_NOISE_BAR, 6)) / 2.0
    )
    columns["oil_c"] = every(OIL_EVERY_S, noisy(line.true_oil_c(time_ns), OIL_NOISE_C, 1))
    if feed.engine:
        true_rpm = line.value_at("rpm", time_ns)
        columns["engine_rpm"] = every(
            POSE_EVERY_S, np.where(true_rpm > 0.0, noisy(true_rpm, ENGINE_NOISE_RPM, 0), 0.0)
        )
    if feed.pose:
        for channel, held in (("tool_x_m", "x_m"), ("tool_y_m", "y_m")):
            columns[channel] = every(POSE_EVERY_S, noisy(line.value_at(held, time_ns), POSE_NOISE_M, 2))
    probes = (PROBES if feed.instrumented else {}) | (ANGLES if feed.angles else {})
    for channel, probe in probes.items():
        read = np.round(probe.steps * noisy(line.value_at(channel, time_ns), probe.noise, 9)) / probe.steps
        possible = np.clip(read, CHANNELS[channel].low, CHANNELS[channel].high)
        columns[channel] = every(probe.every_s, possible)
    return Rows(time_ns, columns)


def _pressure_bar(line: Timeline, feed: Feed, time_ns: Ints) -> Floats:
    if not feed.averaged:
        return line.pressure_bar(time_ns)
    within_ns = np.arange(AVERAGED_OVER, dtype=np.int64) * (round(feed.step_s * SECOND) // AVERAGED_OVER)
    fine_ns = np.maximum(time_ns[:, None] - within_ns, line.start_ns)
    mean_bar: Floats = line.pressure_bar(fine_ns.ravel()).reshape(fine_ns.shape).mean(axis=1)
    return mean_bar


@dataclass(frozen=True, slots=True)
class Arrivals:
    """Rows of one hammer in order of arrival; time of arrival (`arrived_ns` [n]); labels of the faults."""

    hammer: str
    rows: Rows
    arrived_ns: Ints
    labels: tuple[Label, ...] = ()

    @staticmethod
    def undelayed(hammer: str, rows: Rows) -> "Arrivals":
        """Return arrivals without faults: each row arrives when it was sampled."""
        return Arrivals(hammer, rows, rows.time_ns.copy())

    def _within(self, start_ns: Instant, end_ns: Instant) -> npt.NDArray[np.bool_]:
        return (self.arrived_ns >= start_ns) & (self.arrived_ns < end_ns)

    def _with_label(self, truth: str, start_ns: Instant, end_ns: Instant, **fields: Any) -> "Arrivals":
        return replace(self, labels=(*self.labels, Label(truth, self.hammer, start_ns, end_ns, fields)))

    def _ordered(self) -> "Arrivals":
        order = np.argsort(self.arrived_ns, kind="stable")
        return replace(self, rows=self.rows[order], arrived_ns=self.arrived_ns[order])

    def dropout(self, start_ns: Instant, end_ns: Instant, cause: str) -> "Arrivals":
        """Drop the samples of the interval."""
        kept = ~self._within(start_ns, end_ns)
        left = replace(self, rows=self.rows[kept], arrived_ns=self.arrived_ns[kept])
        return left._with_label("signal_lost", start_ns, end_ns, cause=cause)

    def backlog(self, start_ns: Instant, end_ns: Instant, drain_s: float) -> "Arrivals":
        """The gateway is offline during the interval, then sends its backlog over `drain_s`, between live rows.

        With `drain_s` 0 it arrives at once, before the next live row.
        """
        kept = self._within(start_ns, end_ns)
        arrived_ns = self.arrived_ns.copy()
        share = np.linspace(0.0, 1.0, int(np.count_nonzero(kept)))
        arrived_ns[kept] = end_ns + (share * drain_s * SECOND).astype(np.int64)
        if drain_s == 0.0:
            arrived_ns[kept] -= 1
        return (
            replace(self, arrived_ns=arrived_ns)
            ._ordered()
            ._with_label("backlog", start_ns, end_ns, drain_s=drain_s)
        )

    def duplicates(self, start_ns: Instant, end_ns: Instant, after_s: float) -> "Arrivals":
        """Every row of the interval arrives a second time, `after_s` later."""
        twice = self._within(start_ns, end_ns)
        again = replace(
            self,
            rows=Rows.join([self.rows, self.rows[twice]]),
            arrived_ns=np.concatenate([self.arrived_ns, self.arrived_ns[twice] + round(after_s * SECOND)]),
        )
        rows = int(np.count_nonzero(twice))
        return again._ordered()._with_label("duplicates", start_ns, end_ns, rows=rows)

    def wrong_clock(self, start_ns: Instant, end_ns: Instant, by_s: float) -> "Arrivals":
        """The time stamps of the interval are off by `by_s`."""
        wrong = self._within(start_ns, end_ns)
        time_ns = self.rows.time_ns + np.where(wrong, round(by_s * SECOND), 0)
        return replace(self, rows=Rows(time_ns, self.rows.columns))._with_label(
            "wrong_clock", start_ns, end_ns, by_s=by_s
        )

    def out_of_range(self, start_ns: Instant, end_ns: Instant, channel: str, reads: float) -> "Arrivals":
        """The channel reads `reads` wherever it is sampled in the interval."""
        column = self.rows.columns[channel]
        broken = np.where(self._within(start_ns, end_ns) & ~np.isnan(column), reads, column)
        rows = Rows(self.rows.time_ns, {**self.rows.columns, channel: broken})
        return replace(self, rows=rows)._with_label("out_of_range", start_ns, end_ns, channel=channel)
