"""What comes due for a hammer: greasing, inspection, service, the walk-round check, storage."""

from typing import Any, Final, Literal, NamedTuple

from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.kernels import NEVER
from strikewatch.detectors.maintenance import long_storage, service_intervals
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.web.live.snapshot import Glance

Level = Literal["later", "soon", "due", "overdue"]
LEVELS: Final[tuple[Level, ...]] = ("later", "soon", "due", "overdue")
_DAY: Final = 86_400 * SECOND
_NEAR_DAYS: Final = 30.0
"""Storage is spoken of from so long before it is due."""


class Item(NamedTuple):
    """One thing to do. What is None is not known, or plays no part; negative: so much past due.

    `earliest_days`, `latest_days`: when the hours will have run out at the present use, or the days, if sooner.
    `recorded`: whether it is on record that it was ever done; else all counts from when the hammer was first heard.
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
        """The most urgent first."""
        left_h = [24 * self.days_left] if self.days_left is not None else []
        left_h += [self.hours_left] if self.hours_left is not None else []
        return -LEVELS.index(self.level), min(left_h, default=float("inf"))


def upcoming(record: Any, settings: HammerSettings, seen: Glance, now: Instant) -> list[Item]:
    """By a hammer's record of `engine.state.STATE` and what it says at a glance, as of an instant, ns."""
    items = [_grease(seen)]
    own = settings["upkeep"]
    assert isinstance(own, service_intervals.Settings)
    for one in service_intervals.due_items(record["upkeep"], own, now):
        left = one.hours_left, one.days_left, one.earliest_days, one.latest_days
        items.append(Item(one.item, LEVELS[one.stage], *left, one.completed))
    walk = record["walk_round"]
    if walk["onset"] != NEVER:
        items.append(Item("check", "overdue"))
    elif walk["has_check"] and walk["wanted"]:
        items.append(Item("check", "due"))
    rest, storage = record["long_storage"], settings["long_storage"]
    assert isinstance(storage, long_storage.Settings)
    if rest["base"] != NEVER and not rest["put_in"]:
        left_days = storage.idle_days - (now - int(rest["base"])) / _DAY
        if left_days <= _NEAR_DAYS:
            items.append(Item("storage", "due" if left_days <= 0 else "soon", days_left=left_days))
    return items


def _grease(seen: Glance) -> Item:
    limits = seen.limits
    if limits.grease_overdue_h is None or limits.grease_due_h is None:
        return Item("grease", "later")  # it is automatic
    left_h = limits.grease_overdue_h - seen.grease_h
    level: Level = "overdue" if left_h <= 0 else "due" if seen.grease_h >= limits.grease_due_h else "later"
    return Item("grease", level, hours_left=left_h)
