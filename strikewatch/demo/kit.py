"""Equipment of an instrumented carrier, and what is done with it at planned times."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

from strikewatch.demo.arm import Arm
from strikewatch.demo.people import Range

Misuse = Literal[
    "low_engine_speed",
    "end_of_stroke",
    "over_side",
    "off_square",
    "askew_at_end",
    "too_light",
    "lifted",
    "prying",
    "submerged",
]
"""Misuse on one spot. `askew_at_end`: at an angle and at the end of a stroke. `too_light`, `lifted`: wrong feed
force."""


class PlannedMisuse(NamedTuple):
    """A misuse on the first spot that begins `at_s` seconds or more after the start of the plan."""

    at_s: float
    what: Misuse


class MaintenanceTask(NamedTuple):
    """Maintenance with the engine off, between stones, at or after `at_s`; logged as an event, except a `refill`.

    `wrong`: the hour meter is misread.
    """

    at_s: float
    what: str
    fields: Mapping[str, Any] = {}
    wrong: bool = False


@dataclass(frozen=True, slots=True)
class Greaser:
    """Automatic greasing. `level`: of its reservoir, 0..1; `dry_s`: when, of the plan, its pump gives no flow."""

    level: float = 0.8
    use_per_h: float = 0.03
    dry_s: Range = (math.inf, math.inf)


@dataclass(frozen=True, slots=True)
class Equipment:
    """`press_bar`: feed pressure in good work. `water_m`: above the lower bushing, below it in dry work."""

    arm: Arm = field(default_factory=Arm)
    greaser: Greaser = field(default_factory=Greaser)
    press_bar: Range = (58.0, 72.0)
    water_m: Range = (-1.6, -1.2)
    planned_misuse: Sequence[PlannedMisuse] = ()
    tasks: Sequence[MaintenanceTask] = ()
