"""Streams of feeds that tell the arm's angles: the nasty ones, with the tool's positions put into angles.

The angles come in different rows, now one, now another, with gaps at and beyond their hold. Some feeds tell positions
too, or only from the middle on; some carriers have no arm told.
"""

import math
import random
from itertools import product
from typing import Any, Final

from tests.twins.knowledge import Row
from tests.twins.pose import ANGLES
from tests.twins.streams import Stream, nasty

ARM: Final[dict[str, Any]] = {"boom_m": 5.6, "stick_m": 2.7, "tool_m": 2.4, "boom_foot_m": 0.2}
STANDS: Final = list(
    product((40.0, 42.0, 55.0), (-90.0, -75.0), (-60.0, -58.5), (0.0, 1.0, 3.0, 90.0, 183.0, -177.0))
)
"""Where the arm stands: boom, stick, bucket, swing. No two of them are 0.5 m apart, to rounding (a test insists)."""


def told_by_angles(dice: random.Random, rows: list[Row]) -> list[Row]:
    """The same rows with angles in place of positions, or beside them."""
    keeps_from = dice.choice((len(rows),) * 8 + (len(rows) // 2, 0))
    often = dice.choice((0.15, 0.4, 0.8))
    place, stand = (math.nan, math.nan), dice.choice(STANDS)
    written = []
    for number, (time, given) in enumerate(rows):
        values = dict(given)
        now = values.pop("tool_x_m", math.nan), values.pop("tool_y_m", math.nan)
        if now != place and not math.isnan(sum(now)):
            other = dice.choice(STANDS)
            one = dice.randrange(len(ANGLES))
            stand = other if dice.random() < 0.3 else (*stand[:one], other[one], *stand[one + 1 :])
            place = now
        for name, value in zip(ANGLES, stand, strict=True):
            if number == 0 or dice.random() < often:
                values[name] = dice.choice((400.0, math.nan)) if dice.random() < 0.03 else value
        if number >= keeps_from:
            values |= {name: given[name] for name in ("tool_x_m", "tool_y_m") if name in given}
        written.append(Row(time, values))
    return written


def jointed(seed: int) -> Stream:
    """One recording. The same seed gives the same one."""
    dice = random.Random(f"jointed {seed}")
    stream = nasty(seed)
    arm = {**ARM, "angles": dice.choice(("joint", "level"))} if dice.random() < 0.9 else None
    stream.settings = {**stream.settings, "same_spot": {**stream.settings["same_spot"], "arm": arm}}
    stream.rows = {name: told_by_angles(dice, rows) for name, rows in stream.rows.items()}
    return stream
