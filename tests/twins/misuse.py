"""The seven misuse faults of richer feeds, and "one position, one event", read slowly.

Limits are compared as the decimals people write: 0.9 of 2,000 rpm is 1,800 rpm, and 0.95 lies within 0.05 of the end.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final, NamedTuple

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins.knowledge import Record, Row, Span, admitted, both, firing, joined, known, length, reached
from tests.twins.whose import operator_at

POSITION: Final = ("end_of_stroke", "over_side", "off_square")
"""These three make one event together; at one instant the earlier of them names it."""
CYLINDERS: Final = ("boom_stroke", "stick_stroke", "bucket_stroke")
ENDLESS: Final = 2**62

Settings = Mapping[str, Any]


def exact(value: float) -> Fraction:
    """The decimal that the number is written as."""
    return Fraction(repr(float(value)))


def from_track(swing_deg: float) -> float:
    """Degrees from the nearer end of the track line, 0 to 90."""
    return float(abs((exact(swing_deg) + 90) % 180 - 90))


class Count(NamedTuple):
    """A span in which one channel alone makes every instant count."""

    start: int
    end: int
    channel: str
    value: float


@dataclass(frozen=True)
class Spell:
    """One spell; its end is decided at `decided`. `onset`: where its time reaches the limit, if it does."""

    fault: str
    counts: Sequence[Count]
    runs: Sequence[Span]
    onset: int | None
    decided: int

    @property
    def end(self) -> int:
        return self.runs[-1][1]

    def evidence(self, at: int) -> dict[str, Any]:
        """What counted up to an instant, the instant itself included."""
        rule = RULES[self.fault]
        sofar = [count for count in self.counts if count.start <= at]
        return {rule.seconds: length(self.runs, self.runs[0][0], at) / SECOND, **rule.worst(sofar)}


# The rules: which values count, and what is told of them.


def _slow(settings: Settings) -> Callable[[float], bool] | None:
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


def _off_band(settings: Settings) -> Callable[[float], bool] | None:
    low, high = settings["low_bar"], settings["high_bar"]
    if low is None and high is None:
        return None
    return lambda bar: (low is not None and bar < low) or (high is not None and bar > high)


def _pried(settings: Settings) -> Callable[[float], bool] | None:
    limit = settings["limit_bar"]
    return None if limit is None else lambda bar: bar > limit


def _under_water(settings: Settings) -> Callable[[float], bool] | None:
    return None if settings["fitted_for_water"] else lambda water: water > 0


def _cylinders(counts: Sequence[Count]) -> dict[str, Any]:
    seen = {count.channel for count in counts}
    return {"cylinders": " ".join(name.removesuffix("_stroke") for name in CYLINDERS if name in seen)}


def _told(**of: Callable[[Iterable[float]], float]) -> Callable[[Sequence[Count]], dict[str, Any]]:
    return lambda counts: {name: worst(count.value for count in counts) for name, worst in of.items()}


class Rule(NamedTuple):
    """`wrong` gives the test of a value, None where the settings leave the fault silent."""

    channels: Sequence[str]
    wrong: Callable[[Settings], Callable[[float], bool] | None]
    defaults: Settings
    seconds: str
    worst: Callable[[Sequence[Count]], dict[str, Any]]


RULES: Final[dict[str, Rule]] = {
    "low_engine_speed": Rule(
        ("engine_rpm",),
        _slow,
        {"limit_s": 5.0, "pause_s": 2.0, "least_share": 0.9, "rated_rpm": None},
        "firing_slow_s",
        _told(lowest_rpm=min),
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
        _off_band,
        {"limit_s": 3.0, "pause_s": 2.0, "low_bar": None, "high_bar": None},
        "firing_off_band_s",
        _told(feed_min_bar=min, feed_max_bar=max),
    ),
    "prying": Rule(
        ("side_load_bar",),
        _pried,
        {"limit_s": 0.5, "pause_s": 0.0, "limit_bar": None},
        "pried_s",
        _told(side_load_max_bar=max),
    ),
    "submerged": Rule(
        ("water_m",),
        _under_water,
        {"limit_s": 0.0, "pause_s": 2.0, "fitted_for_water": False},
        "firing_submerged_s",
        _told(water_max_m=max),
    ),
}


def spells(fault: str, rows: Sequence[Row], bouts: Sequence[Span], settings: Settings) -> list[Spell]:
    """Every spell of one fault in admitted rows, whether or not its time reaches the limit."""
    rule = RULES[fault]
    settings = {**rule.defaults, **settings}
    wrong = rule.wrong(settings)
    if wrong is None:
        return []
    within = [(-ENDLESS, ENDLESS)] if fault == "prying" else bouts
    counts = sorted(
        Count(start, end, channel, piece.value)
        for channel in rule.channels
        for piece in known(rows, channel)
        if wrong(piece.value)
        for start, end in both(within, [(piece.start, piece.end)])
    )
    pause = seconds(settings["pause_s"])
    lots: list[list[Span]] = []
    for run in joined([(count.start, count.end) for count in counts]):
        if lots and run[0] - lots[-1][-1][1] < pause:
            lots[-1].append(run)
        else:
            lots.append([run])
    return [
        Spell(
            fault,
            [count for count in counts if runs[0][0] <= count.start < runs[-1][1]],
            runs,
            reached(runs, runs[0][0], seconds(settings["limit_s"])),
            runs[-1][1] + pause,
        )
        for runs in lots
    ]


def _again(name: str, before: Any, now: Any) -> Any:
    if name == "cylinders":
        return " ".join(one for one in ("boom", "stick", "bucket") if one in f"{before} {now}".split())
    return before + now if name.endswith("_s") else max(before, now)


@dataclass
class Position:
    """One event: the spells raised in it, the first of which names it. `over`: how many have ended."""

    causes: list[Spell]
    over: int = 0
    cleared: int | None = None

    def evidence(self, at: int) -> dict[str, Any]:
        """That of the one cause; of several, that of each, and their names. Of the same again: seconds of all, and the
        worst."""
        told: dict[str, Any] = {}
        for cause in self.causes:
            for name, value in cause.evidence(at).items():
                told[name] = _again(name, told[name], value) if name in told else value
        names = {cause.fault for cause in self.causes}
        if len(names) > 1:
            told["causes"] = " ".join(fault for fault in POSITION if fault in names)
        return told


def positions(found: Sequence[Spell], end: int) -> list[Position]:
    """The events that spells of the three faults make. A spell raised and ended at one instant is first raised."""
    raised = [spell for spell in found if spell.onset is not None and spell.onset <= end]
    steps = []
    for spell in raised:
        assert spell.onset is not None
        steps.append((spell.onset, 1, POSITION.index(spell.fault), spell))
        if spell.decided <= end:
            last = 2 if spell.decided == spell.onset else 0
            steps.append((spell.decided, last, POSITION.index(spell.fault), spell))
    events: list[Position] = []
    standing: Position | None = None
    for _, step, _, spell in sorted(steps, key=lambda one: one[:3]):
        if step == 1:
            if standing is None:
                standing = Position([])
                events.append(standing)
            standing.causes.append(spell)
            continue
        assert standing is not None
        standing.over += 1
        if standing.over == len(standing.causes):
            standing.cleared = max(cause.end for cause in standing.causes)
            standing = None
    return events


def find(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
    **settings: Settings,
) -> list[Record]:
    """All seven; `settings` by fault, what is left out as in `RULES`."""
    rows = admitted(rows)
    bouts = firing(rows, on_bar=on_bar, off_bar=off_bar)
    found = {fault: spells(fault, rows, bouts, settings.get(fault, {})) for fault in RULES}
    records: list[Record] = []

    def record(fault: str, onset: int, cleared: int | None, evidence: dict[str, Any]) -> None:
        records.append(Record(fault, onset, cleared, "medium", operator_at(events, onset), evidence))

    for fault, own in found.items():
        for spell in own if fault not in POSITION else ():
            if spell.onset is not None and spell.onset <= end:
                cleared = spell.end if spell.decided <= end else None
                record(fault, spell.onset, cleared, spell.evidence(end))
    for event in positions([spell for fault in POSITION for spell in found[fault]], end):
        first = event.causes[0]
        assert first.onset is not None
        record(first.fault, first.onset, event.cleared, event.evidence(end))
    return sorted(records, key=lambda one: (one.onset, one.fault))
