"""Simulate a gateway: what it samples and how often, with what noise and resolution; feed faults; payloads."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Final, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from strikewatch.core import instant
from strikewatch.core.batch import Floats, Ints, Rows
from strikewatch.core.channels import CHANNELS, PSI_PER_BAR
from strikewatch.core.events import Event
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


def sense(
    timeline: Timeline, feed: Feed, start_ns: Instant, stop_ns: Instant, rng: np.random.Generator
) -> Rows:
    """Sample a timeline: rows on the feed's grid within [start_ns, stop_ns), rounded to what its sensors resolve."""
    step_ns = round(feed.step_s * SECOND)
    first, last = (
        -(-(edge - timeline.start_ns) // step_ns) for edge in (start_ns, min(stop_ns, timeline.now_ns))
    )
    tick = np.arange(first, max(last, first), dtype=np.int64)
    time_ns: Ints = timeline.start_ns + tick * step_ns
    if feed.run_on_s is not None:
        before_ns = np.maximum(time_ns - round(feed.run_on_s * SECOND), timeline.start_ns)
        powered = (timeline.value_at("rpm", time_ns) > 0.0) | (timeline.value_at("rpm", before_ns) > 0.0)
        tick, time_ns = tick[powered], time_ns[powered]

    def noisy(true: Floats, noise: float, decimals: int) -> Floats:
        return np.round(true + rng.normal(0.0, noise, len(true)), decimals)

    def every(period_s: float, column: Floats) -> Floats:
        """Keep only what is sampled once a period."""
        return np.where(tick % max(1, round(period_s / feed.step_s)) == 0, column, np.nan)

    columns: dict[str, Floats] = {}
    if feed.active:
        columns["active"] = timeline.firing(time_ns).astype(np.float64)
    columns["pressure_bar"] = (
        np.round(2.0 * noisy(_pressure_bar(timeline, feed, time_ns), PRESSURE_NOISE_BAR, 6)) / 2.0
    )
    columns["oil_c"] = every(OIL_EVERY_S, noisy(timeline.true_oil_c(time_ns), OIL_NOISE_C, 1))
    if feed.engine:
        true_rpm = timeline.value_at("rpm", time_ns)
        columns["engine_rpm"] = every(
            POSE_EVERY_S, np.where(true_rpm > 0.0, noisy(true_rpm, ENGINE_NOISE_RPM, 0), 0.0)
        )
    if feed.pose:
        for channel, field in (("tool_x_m", "x_m"), ("tool_y_m", "y_m")):
            columns[channel] = every(POSE_EVERY_S, noisy(timeline.value_at(field, time_ns), POSE_NOISE_M, 2))
    probes = (PROBES if feed.instrumented else {}) | (ANGLES if feed.angles else {})
    for channel, probe in probes.items():
        reading = (
            np.round(probe.steps * noisy(timeline.value_at(channel, time_ns), probe.noise, 9)) / probe.steps
        )
        clipped = np.clip(reading, CHANNELS[channel].low, CHANNELS[channel].high)
        columns[channel] = every(probe.every_s, clipped)
    return Rows(time_ns, columns)


def _pressure_bar(timeline: Timeline, feed: Feed, time_ns: Ints) -> Floats:
    if not feed.averaged:
        return timeline.pressure_bar(time_ns)
    within_ns = np.arange(AVERAGED_OVER, dtype=np.int64) * (round(feed.step_s * SECOND) // AVERAGED_OVER)
    fine_ns = np.maximum(time_ns[:, None] - within_ns, timeline.start_ns)
    mean_bar: Floats = timeline.pressure_bar(fine_ns.ravel()).reshape(fine_ns.shape).mean(axis=1)
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
        keep = ~self._within(start_ns, end_ns)
        remaining = replace(self, rows=self.rows[keep], arrived_ns=self.arrived_ns[keep])
        return remaining._with_label("signal_lost", start_ns, end_ns, cause=cause)

    def backlog(self, start_ns: Instant, end_ns: Instant, drain_s: float) -> "Arrivals":
        """The gateway is offline during the interval, then sends its backlog over `drain_s`, between live rows.

        With `drain_s` 0 it arrives at once, before the next live row.
        """
        keep = self._within(start_ns, end_ns)
        arrived_ns = self.arrived_ns.copy()
        share = np.linspace(0.0, 1.0, int(np.count_nonzero(keep)))
        arrived_ns[keep] = end_ns + (share * drain_s * SECOND).astype(np.int64)
        if drain_s == 0.0:
            arrived_ns[keep] -= 1
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


SENML: Final = {
    "active": ("active", "", 1.0),
    "pressure_bar": ("pressure", "Pa", 1e5),
    "oil_c": ("oil", "Cel", 1.0),
    "engine_rpm": ("engine_rpm", "1/min", 1.0),
}
"""Channel: SenML name, unit of the IANA registry, and the factor from our unit to it."""


def millis(time_ns: Instant) -> str:
    """Format as RFC 3339 in UTC with milliseconds."""
    return instant.text(time_ns)[:-4] + "Z"


def event_payload(event: Event) -> bytes:
    """Encode one event."""
    return dump({"time": millis(event.time), "event": event.kind} | event.fields)


def payloads(rows: Rows, form: Form, step_s: float, carrier: str) -> Iterator[tuple[Instant, bytes]]:
    """Split `rows` into messages of at most one second, in order: (time of the last row, payload)."""
    if form == "instant":
        for row in range(len(rows)):
            yield int(rows.time_ns[row]), dump(_instant(rows, row))
        return
    step_ns = round(step_s * SECOND)
    breaks = (np.diff(rows.time_ns) != step_ns) | (np.diff(rows.time_ns // SECOND) != 0)
    edges = [0, *(np.flatnonzero(breaks) + 1).tolist(), len(rows)]
    for first, last in pairwise(edges):
        if first < last:
            part = rows[first:last]
            body = _senml(part, carrier) if form == "senml" else block(part, step_s, form == "imperial")
            yield int(part.time_ns[-1]), dump(body)


def block(rows: Rows, step_s: float, imperial: bool = False) -> dict[str, Any]:
    """Build a columnar block of rows on an even grid. A channel sampled only at the first instant is a scalar."""
    body: dict[str, Any] = {"time": millis(int(rows.time_ns[0])), "step_s": step_s}
    for name, column in rows.columns.items():
        values = [None if np.isnan(value) else _value(name, float(value)) for value in column]
        if imperial:
            name, values = _imperial(name, values)
        if any(value is not None for value in values[1:]):
            body[name] = values
        elif values[0] is not None:
            body[name] = values[0]
    return body


def _instant(rows: Rows, row: int) -> dict[str, Any]:
    values = {name: float(column[row]) for name, column in rows.columns.items()}
    sampled = {name: _value(name, value) for name, value in values.items() if not np.isnan(value)}
    return {"time": millis(int(rows.time_ns[row])), **sampled}


def _value(name: str, value: float) -> float | bool:
    return value == 1.0 if CHANNELS[name].boolean else value


def _imperial(name: str, values: list[Any]) -> tuple[str, list[Any]]:
    if name == "oil_c":
        return "oil_f", [None if value is None else round(value * 1.8 + 32.0, 2) for value in values]
    if name == "pressure_bar":
        return "pressure_psi", [None if value is None else round(value * PSI_PER_BAR, 1) for value in values]
    return name, values


def _senml(rows: Rows, carrier: str) -> list[dict[str, Any]]:
    """Build an RFC 8428 pack; the authority in its name is the number that RFC 5612 reserves for examples."""
    base_ns = int(rows.time_ns[0])
    records: list[dict[str, Any]] = []
    for name, column in rows.columns.items():
        label, unit, factor = SENML[name]
        for time_ns, value in zip(rows.time_ns.tolist(), column.tolist(), strict=True):
            if np.isnan(value):
                continue
            record: dict[str, Any] = {"n": label}
            if unit:
                record |= {"u": unit, "v": round(value * factor, 6)}
            else:
                record["vb"] = value == 1.0
            if time_ns != base_ns:
                record["t"] = (time_ns - base_ns) / SECOND
            records.append(record)
    records[0] |= {"bn": f"urn:dev:os:32473-{carrier}:", "bt": base_ns / SECOND}
    return records


def dump(body: Any) -> bytes:
    """Encode as compact JSON in UTF-8."""
    return json.dumps(body, separators=(",", ":")).encode()
