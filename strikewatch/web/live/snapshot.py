"""One hammer at one instant, in the units that people read: its values, their limits, and its due items."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors import exposure, hot_oil, same_spot
from strikewatch.detectors.greasing import manual_greasing
from strikewatch.detectors.kernels import NEVER
from strikewatch.detectors.maintenance import long_storage, service_intervals
from strikewatch.detectors.oil_heating import GRID, NEEDED, line
from strikewatch.engine import attribution

if TYPE_CHECKING:
    from strikewatch.engine.pipeline import HammerSettings

Level = Literal["later", "soon", "due", "overdue"]
LEVELS: Final[tuple[Level, ...]] = ("later", "soon", "due", "overdue")
_OIL_HOLD: Final = CHANNELS["oil_c"].hold_ns
_HOUR: Final = 3600 * SECOND
_DAY: Final = 24 * _HOUR
_STORAGE_NOTICE_DAYS: Final = 30.0
"""Storage is listed from this long before it is due."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of one hammer's values. The greasing intervals are None with automatic greasing."""

    spot_s: float
    oil_c: float
    grease_due_h: float | None
    grease_overdue_h: float | None

    @staticmethod
    def of(settings: "HammerSettings") -> "Limits":
        """Read the limits from a hammer's settings."""
        spot, oil, greasing = settings["same_spot"], settings["hot_oil"], settings["grease"]
        assert isinstance(spot, same_spot.Settings)
        assert isinstance(oil, hot_oil.Settings)
        assert isinstance(greasing, manual_greasing.Settings)
        hours = greasing.due_s / 3600, greasing.overdue_s / 3600
        manual = greasing.method == "manual"
        return Limits(spot.limit_s, oil.limit_c, *(hours if manual else (None, None)))


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One hammer at `data_until` (event time, ns). None where unknown.

    `spot_s`: firing time in the present spot; `oil_slope_c_per_min`: of the line fitted to the last 5 min;
    `oil_reaches_min`: time until that line meets the limit, None unless it rises towards it.
    """

    data_until: Instant
    firing: bool
    spot_s: float
    oil_c: float | None
    oil_slope_c_per_min: float | None
    oil_reaches_min: float | None
    grease_h: float
    operator: str | None
    tool: str | None
    limits: Limits


def take_snapshot(record: Any, limits: Limits, last_oil: tuple[Instant, float]) -> Snapshot:
    """Read a hammer's record of `engine.state.STATE`; `last_oil`: time and value of the last sample, degC."""
    firing, spot = record["reading"], record["same_spot"]
    data_until = int(firing["upto"])
    slope = reaches = None
    if int(record["oil_heating"]["filled"]) >= NEEDED:
        fitted_c, per_bin = line(record["oil_heating"]["mean"].tolist())[:2]
        slope = per_bin * 60 * SECOND / GRID
        if slope > 0 and fitted_c < limits.oil_c:
            reaches = (limits.oil_c - fitted_c) / slope
    return Snapshot(
        data_until=data_until,
        firing=int(firing["until"]) > data_until != NEVER,
        spot_s=int(spot["fired"]) / SECOND if spot["open"] else 0.0,
        oil_c=last_oil[1] if last_oil[0] + _OIL_HOLD > data_until else None,
        oil_slope_c_per_min=slope,
        oil_reaches_min=reaches,
        grease_h=int(record["grease"]["clock"]) / _HOUR,
        operator=attribution.on_duty(record[attribution.OPERATORS.name], data_until),
        tool=attribution.tool_at(record[attribution.TOOLS.name], data_until),
        limits=limits,
    )


class WorkUnderWay(NamedTuple):
    """The stretch of work of a hammer that has not ended yet: who works, since when, and for how long, ns."""

    operator: str | None
    begin: Instant
    operating_ns: int
    firing_ns: int


def work_under_way(record: Any) -> WorkUnderWay | None:
    """Read the stretch under way from a hammer's record of `engine.state.STATE`; None if there is none."""
    work = record[exposure.DETECTOR.name]
    begin = int(work["begin"])
    if begin == NEVER:
        return None
    operator = attribution.on_duty(record[attribution.OPERATORS.name], begin)
    return WorkUnderWay(operator, begin, int(work["operating"]), int(work["firing"]))


class DueItem(NamedTuple):
    """One maintenance task: grease, inspection, service, check or storage. None: unknown; negative: overdue.

    `earliest_days`, `latest_days`: range in which the hours run out at the present use, or the days if sooner.
    `recorded`: whether the task is on record; if not, time counts from when the hammer was first heard.
    """

    what: str
    level: Level
    hours_left: float | None = None
    days_left: float | None = None
    earliest_days: float | None = None
    latest_days: float | None = None
    recorded: bool = True

    @property
    def urgency(self) -> tuple[int, float]:
        """A sort key: the most urgent first."""
        left_h = [24 * self.days_left] if self.days_left is not None else []
        left_h += [self.hours_left] if self.hours_left is not None else []
        return -LEVELS.index(self.level), min(left_h, default=float("inf"))


def due_items(record: Any, settings: "HammerSettings", now: Instant) -> list[DueItem]:
    """List a hammer's maintenance tasks at an instant, ns, from its record of `engine.state.STATE`."""
    items = [_greasing(Limits.of(settings), int(record["grease"]["clock"]) / _HOUR)]
    intervals, storage = settings["upkeep"], settings["long_storage"]
    assert isinstance(intervals, service_intervals.Settings)
    assert isinstance(storage, long_storage.Settings)
    for task in service_intervals.due_items(record["upkeep"], intervals, now):
        left = task.hours_left, task.days_left, task.earliest_days, task.latest_days
        items.append(DueItem(task.item, LEVELS[task.stage], *left, task.completed))
    walkaround = record["walk_round"]
    if walkaround["onset"] != NEVER:
        items.append(DueItem("check", "overdue"))
    elif walkaround["has_check"] and walkaround["wanted"]:
        items.append(DueItem("check", "due"))
    idle = record["long_storage"]
    if idle["base"] != NEVER and not idle["put_in"]:
        left_days = storage.idle_days - (now - int(idle["base"])) / _DAY
        if left_days <= _STORAGE_NOTICE_DAYS:
            items.append(DueItem("storage", "due" if left_days <= 0 else "soon", days_left=left_days))
    return items


def _greasing(limits: Limits, grease_h: float) -> DueItem:
    if limits.grease_overdue_h is None or limits.grease_due_h is None:
        return DueItem("grease", "later")  # automatic
    left_h = limits.grease_overdue_h - grease_h
    level: Level = "overdue" if left_h <= 0 else "due" if grease_h >= limits.grease_due_h else "later"
    return DueItem("grease", level, hours_left=left_h)
