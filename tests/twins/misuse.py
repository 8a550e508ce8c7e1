"""Slow twins of the seven misuse faults of richer feeds, and of the alert that groups those of a position.

Limits are compared as the decimals people write: 0.9 of 2,000 rpm is 1,800 rpm, and 0.95 lies within 0.05 of the end.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final, NamedTuple

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins.signals import (
    Record,
    Row,
    Span,
    accepted,
    firing_spans,
    held_values,
    instant_of_length,
    intersection,
    length_within,
    merge_spans,
    operator_at,
)

POSITION: Final = ("end_of_stroke", "over_side", "off_square")
"""These three are grouped in one alert; of causes at one instant the earlier in this order names it."""
CYLINDERS: Final = ("boom_stroke", "stick_stroke", "bucket_stroke")
FOREVER: Final = 2**62

Settings = Mapping[str, Any]


def exact(value: float) -> Fraction:
    """Return the decimal as which the number is written."""
    return Fraction(repr(float(value)))


def from_track(swing_deg: float) -> float:
    """Return the angle to the nearer end of the track line, 0 to 90 deg."""
    return float(abs((exact(swing_deg) + 90) % 180 - 90))


class BeyondLimit(NamedTuple):
    """A span in which one channel is beyond its limit and the hammer fires."""

    start: int
    end: int
    channel: str
    value: float


@dataclass(frozen=True)
class Spell:
    """One spell. `decided`: when its end is known. `onset`: when its time reaches the limit; None if it does not."""

    fault: str
    counts: Sequence[BeyondLimit]
    runs: Sequence[Span]
    onset: int | None
    decided: int

    @property
    def end(self) -> int:
        return self.runs[-1][1]

    def evidence(self, at: int) -> dict[str, Any]:
        """Return the evidence up to and including an instant."""
        rule = RULES[self.fault]
        so_far = [count for count in self.counts if count.start <= at]
        return {rule.seconds: length_within(self.runs, self.runs[0][0], at) / SECOND, **rule.extremes(so_far)}


# The rules: which values are beyond the limit, and the evidence.


def _too_slow(settings: Settings) -> Callable[[float], bool] | None:
    rated = settings["rated_rpm"]
    if rated is None:
        return None
    return lambda rpm: exact(rpm) < exact(settings["least_share"]) * exact(rated)


def _at_an_end(settings: Settings) -> Callable[[float], bool]:
    margin = exact(settings["margin"])
    return lambda stroke: exact(stroke) <= margin or exact(stroke) >= 1 - margin


def _over_side(settings: Settings) -> Callable[[float], bool]:
    return lambda swing: from_track(swing) > settings["limit_deg"]


def _off_square(settings: Settings) -> Callable[[float], bool]:
    return lambda tilt: abs(tilt) > settings["limit_deg"]


def _outside_band(settings: Settings) -> Callable[[float], bool] | None:
    low, high = settings["low_bar"], settings["high_bar"]
    if low is None and high is None:
        return None
    return lambda bar: (low is not None and bar < low) or (high is not None and bar > high)


def _prying(settings: Settings) -> Callable[[float], bool] | None:
    limit = settings["limit_bar"]
    return None if limit is None else lambda bar: bar > limit


def _under_water(settings: Settings) -> Callable[[float], bool] | None:
    return None if settings["fitted_for_water"] else lambda water: water > 0


def _cylinders(counts: Sequence[BeyondLimit]) -> dict[str, Any]:
    seen = {count.channel for count in counts}
    return {"cylinders": " ".join(name.removesuffix("_stroke") for name in CYLINDERS if name in seen)}


def _extremes(**of: Callable[[Iterable[float]], float]) -> Callable[[Sequence[BeyondLimit]], dict[str, Any]]:
    return lambda counts: {name: extreme(count.value for count in counts) for name, extreme in of.items()}


class Rule(NamedTuple):
    """A rule. `beyond`: makes the test of a value from the settings; None if they turn the fault off."""

    channels: Sequence[str]
    beyond: Callable[[Settings], Callable[[float], bool] | None]
    defaults: Settings
    seconds: str
    extremes: Callable[[Sequence[BeyondLimit]], dict[str, Any]]


RULES: Final[dict[str, Rule]] = {
    "low_engine_speed": Rule(
        ("engine_rpm",),
        _too_slow,
        {"limit_s": 5.0, "pause_s": 2.0, "least_share": 0.9, "rated_rpm": None},
        "firing_slow_s",
        _extremes(lowest_rpm=min),
    ),
    "end_of_stroke": Rule(
        CYLINDERS,
        _at_an_end,
        {"limit_s": 1.0, "pause_s": 2.0, "margin": 0.05},
        "firing_end_s",
        _cylinders,
    ),
    "over_side": Rule(
        ("swing_deg",),
        _over_side,
        {"limit_s": 3.0, "pause_s": 2.0, "limit_deg": 45.0},
        "firing_over_side_s",
        lambda counts: {"from_track_max_deg": max(from_track(count.value) for count in counts)},
    ),
    "off_square": Rule(
        ("tilt_deg",),
        _off_square,
        {"limit_s": 2.0, "pause_s": 2.0, "limit_deg": 15.0},
        "firing_off_square_s",
        lambda counts: {"tilt_max_deg": max(abs(count.value) for count in counts)},
    ),
    "feed_force": Rule(
        ("feed_bar",),
        _outside_band,
        {"limit_s": 3.0, "pause_s": 2.0, "low_bar": None, "high_bar": None},
        "firing_off_band_s",
        _extremes(feed_min_bar=min, feed_max_bar=max),
    ),
    "prying": Rule(
        ("side_load_bar",),
        _prying,
        {"limit_s": 0.5, "pause_s": 0.0, "limit_bar": None},
        "pried_s",
        _extremes(side_load_max_bar=max),
    ),
    "submerged": Rule(
        ("water_m",),
        _under_water,
        {"limit_s": 0.0, "pause_s": 2.0, "fitted_for_water": False},
        "firing_submerged_s",
        _extremes(water_max_m=max),
    ),
}


def spells(fault: str, rows: Sequence[Row], bouts: Sequence[Span], settings: Settings) -> list[Spell]:
    """Return every spell of a fault in accepted rows, whether or not its time reaches the limit."""
    rule = RULES[fault]
    settings = {**rule.defaults, **settings}
    beyond = rule.beyond(settings)
    if beyond is None:
        return []
    within = [(-FOREVER, FOREVER)] if fault == "prying" else bouts
    counts = sorted(
        BeyondLimit(start, end, channel, piece.value)
        for channel in rule.channels
        for piece in held_values(rows, channel)
        if beyond(piece.value)
        for start, end in intersection(within, [(piece.start, piece.end)])
    )
    pause = seconds(settings["pause_s"])
    groups: list[list[Span]] = []
    for run in merge_spans([(count.start, count.end) for count in counts]):
        if groups and run[0] - groups[-1][-1][1] < pause:
            groups[-1].append(run)
        else:
            groups.append([run])
    return [
        Spell(
            fault,
            [count for count in counts if runs[0][0] <= count.start < runs[-1][1]],
            runs,
            instant_of_length(runs, runs[0][0], seconds(settings["limit_s"])),
            runs[-1][1] + pause,
        )
        for runs in groups
    ]


def _combine(name: str, before: Any, now: Any) -> Any:
    """Combine the evidence of two spells of one cause: seconds add up, of other values the worst."""
    if name == "cylinders":
        return " ".join(name for name in ("boom", "stick", "bucket") if name in f"{before} {now}".split())
    return before + now if name.endswith("_s") else max(before, now)


@dataclass
class PositionAlert:
    """One grouped alert: the spells raised in it, the first of which names it. `ended`: how many have ended."""

    causes: list[Spell]
    ended: int = 0
    cleared: int | None = None

    def evidence(self, at: int) -> dict[str, Any]:
        """Return the evidence of each cause up to an instant, and their names if there are several."""
        evidence: dict[str, Any] = {}
        for cause in self.causes:
            for name, value in cause.evidence(at).items():
                evidence[name] = _combine(name, evidence[name], value) if name in evidence else value
        names = {cause.fault for cause in self.causes}
        if len(names) > 1:
            evidence["causes"] = " ".join(fault for fault in POSITION if fault in names)
        return evidence


def position_alerts(spells: Sequence[Spell], end: int) -> list[PositionAlert]:
    """Group spells of the three faults in alerts. A spell raised and ended at one instant is raised first."""
    raised = [spell for spell in spells if spell.onset is not None and spell.onset <= end]
    steps = []
    for spell in raised:
        assert spell.onset is not None
        steps.append((spell.onset, 1, POSITION.index(spell.fault), spell))
        if spell.decided <= end:
            last = 2 if spell.decided == spell.onset else 0
            steps.append((spell.decided, last, POSITION.index(spell.fault), spell))
    alerts: list[PositionAlert] = []
    active: PositionAlert | None = None
    for _, step, _, spell in sorted(steps, key=lambda step: step[:3]):
        if step == 1:
            if active is None:
                active = PositionAlert([])
                alerts.append(active)
            active.causes.append(spell)
            continue
        assert active is not None
        active.ended += 1
        if active.ended == len(active.causes):
            active.cleared = max(cause.end for cause in active.causes)
            active = None
    return alerts


def find(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
    **settings: Settings,
) -> list[Record]:
    """Find all seven faults. `settings`: by fault; those not given are the defaults of `RULES`."""
    rows = accepted(rows)
    bouts = firing_spans(rows, on_bar=on_bar, off_bar=off_bar)
    found = {fault: spells(fault, rows, bouts, settings.get(fault, {})) for fault in RULES}
    records: list[Record] = []

    def record(fault: str, onset: int, cleared: int | None, evidence: dict[str, Any]) -> None:
        records.append(Record(fault, onset, cleared, "medium", operator_at(events, onset), evidence))

    for fault, of_fault in found.items():
        for spell in of_fault if fault not in POSITION else ():
            if spell.onset is not None and spell.onset <= end:
                cleared = spell.end if spell.decided <= end else None
                record(fault, spell.onset, cleared, spell.evidence(end))
    for alert in position_alerts([spell for fault in POSITION for spell in found[fault]], end):
        first = alert.causes[0]
        assert first.onset is not None
        record(first.fault, first.onset, alert.cleared, alert.evidence(end))
    return sorted(records, key=lambda record: (record.onset, record.fault))
