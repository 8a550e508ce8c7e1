"""What a carrier with more sensors has on it, and what is done with it at stated moments."""

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
"""What somebody does with one spot. `askew_at_end`: at an angle and at the end of a stroke. `too_light`, `lifted`: the
force on the tool."""


class Deed(NamedTuple):
    """Done with the first spot begun at or after `at_s` seconds of the plan."""

    at_s: float
    what: Misuse


class Chore(NamedTuple):
    """Done with the engine off, between stones, at or after `at_s`, and told as an event; a `refill` is not told.

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
class Kit:
    """`press_bar`: feed pressure in good work. `water_m`: above the lower bushing, below it in dry work."""

    arm: Arm = field(default_factory=Arm)
    greaser: Greaser = field(default_factory=Greaser)
    press_bar: Range = (58.0, 72.0)
    water_m: Range = (-1.6, -1.2)
    deeds: Sequence[Deed] = ()
    chores: Sequence[Chore] = ()
