"""Streams of richer feeds: small seeded recordings for the misuse faults, full of ties.

Rows lie on a grid of half seconds, as limits and pauses do, so that spells begin, reach their limits, pause and end at
common instants; now and then one is a nanosecond beside it. Values sit on, just below and just above their limits.
"""

import math
import random
from collections.abc import Mapping, Sequence
from typing import Any, Final

from strikewatch.core.channels import CHANNELS
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from tests.twins import find_all
from tests.twins.knowledge import Row
from tests.twins.streams import MORNING, SITE, Stream, sign_ons

HALF: Final = SECOND // 2
DAY: Final = 86_400 * SECOND
Values = Mapping[str, Sequence[float]]
"""By channel."""


def below(value: float) -> float:
    return math.nextafter(value, -math.inf)


def above(value: float) -> float:
    return math.nextafter(value, math.inf)


def drawn(dice: random.Random) -> tuple[dict[str, dict[str, Any]], Values, Values]:
    """The settings of the seven, values that are wrong under them and values that are not (but for `submerged`'s)."""

    def spell(*limits_s: float) -> dict[str, Any]:
        pauses = (0.0, 0.0, 0.5, 1.0, 2.0, 2.0, 3.5)
        return {"limit_s": dice.choice((0.0, *limits_s)), "pause_s": dice.choice(pauses)}

    share, rated, lowest = dice.choice(((0.9, 2000.0, 1800.0), (0.85, 1900.0, 1615.0), (0.57, 100.0, 57.0)))
    margin, far = dice.choice(((0.05, 0.95), (0.0, 1.0), (0.07, 0.93), (0.35, 0.65)))
    line, tilt = dice.choice((45.0, 30.0, 0.0)), dice.choice((15.0, 0.0, 90.0))
    low, high = dice.choice(((50.0, 90.0), (None, 90.0), (50.0, None), (70.0, 70.0), (None, None)))
    side = dice.choice((80.0, 80.0, 0.0, None))
    settings = {
        "low_engine_speed": {
            **spell(5.0, 2.5, 1.0),
            "rated_rpm": dice.choice((rated, rated, rated, None)),
            "least_share": share,
        },
        "end_of_stroke": {**spell(1.0, 1.0, 2.0), "margin": margin},
        "over_side": {**spell(3.0, 1.0, 2.0), "limit_deg": line},
        "off_square": {**spell(2.0, 1.0), "limit_deg": tilt},
        "feed_force": {**spell(3.0, 1.5), "low_bar": low, "high_bar": high},
        "prying": {**spell(0.5, 1.0), "limit_bar": side},
        "submerged": {**spell(0.0, 0.0, 1.0), "fitted_for_water": dice.random() < 0.1},
    }
    hair = 2.0**-30
    low, high, side = low or 50.0, high or 90.0, side or 0.0
    wrong = {
        "engine_rpm": (below(lowest), lowest - 1.0, 0.0, 400.0),
        "boom_stroke": (margin, far, 0.0, 1.0),
        "swing_deg": (
            line + hair,
            180.0 - line - hair,
            -line - hair,
            90.0,
            -90.0,
            270.0,
            line - 180.0 - hair,
        ),
        "tilt_deg": (above(tilt), below(-tilt), 120.0, -180.0),
        "feed_bar": (below(low), above(high), 0.0, 200.0),
        "side_load_bar": (above(side), side + 10.0, 600.0),
        "water_m": (above(0.0), 0.1, 1.5),
    }
    right = {
        "engine_rpm": (lowest, above(lowest), 2100.0),
        "boom_stroke": (above(margin), below(far), 0.5),
        "swing_deg": (line, -line, 180.0 - line, 180.0, 0.0, 360.0, -180.0 + line, -360.0),
        "tilt_deg": (tilt, -tilt, 0.0),
        "feed_bar": (low, high),
        "side_load_bar": (side, -5.0),
        "water_m": (0.0, -0.0, below(0.0), -2.0),
    }
    for more in ("stick_stroke", "bucket_stroke"):
        wrong[more], right[more] = wrong["boom_stroke"], right["boom_stroke"]
    return settings, wrong, right


def written(dice: random.Random, wrong: Values, right: Values, start: int, budget: int) -> list[Row]:
    """The rows of one hammer. What a feed carries it carries, or as NaN, from its first row on."""
    has_active = dice.random() < 0.75
    position = dice.random() < 0.5
    channels = [
        name
        for name in wrong
        if dice.random() < (0.9 if position and name.endswith(("_stroke", "swing_deg", "tilt_deg")) else 0.5)
    ]
    rarely = dice.choice((0.02, 0.1, 0.3))
    is_wrong = dict.fromkeys(channels, False)
    fires, now, off_grid = True, start, 0
    rows: list[Row] = []
    while len(rows) < budget:
        firing = dice.random() < (0.9 if fires else 0.35)
        values: dict[str, float] = {}
        if has_active:
            values["active"] = math.nan if rows and firing == fires and dice.random() < 0.1 else float(firing)
        else:
            values["pressure_bar"] = dice.choice((80.0, 140.0, 60.0) if firing else (below(60.0), 10.0))
        # Several turn at one instant, so that causes begin, join and end together.
        together = dice.random() < 0.15
        for name in channels:
            turn = dice.random() < (0.7 if together else 0.12)
            is_wrong[name] ^= turn
            if turn or dice.random() > rarely or not rows:
                values[name] = dice.choice((wrong if is_wrong[name] else right)[name])
            if rows and dice.random() < 0.02:
                values[name] = dice.choice((math.nan, CHANNELS[name].high * 2 + 1.0, math.inf))
        rows.append(Row(now, values))
        fires = firing
        now -= off_grid
        off_grid = dice.choice((0, 0, 0, 1, -1)) if dice.random() < 0.3 else 0
        now += _step(dice) + off_grid
        if dice.random() < 0.02:
            rows.append(
                Row(rows[-1].time_ns - dice.choice((0, 1, HALF)), {**values, **_all(wrong, channels)})
            )
    return rows[:budget]


def _all(values: Values, channels: Sequence[str]) -> dict[str, float]:
    """For a row that comes twice or too late: it must not count."""
    return {name: values[name][-1] for name in channels}


def _step(dice: random.Random) -> int:
    kind = dice.random()
    if kind < 0.9:
        return dice.choice((1, 1, 1, 2, 2, 2, 3, 4, 5, 7)) * HALF
    if kind < 0.99:
        return dice.choice((10, 10, 11, 12, 60, 62)) * SECOND
    return dice.choice((600 * SECOND, 601 * SECOND, DAY, 3 * DAY))


def cut_short(dice: random.Random, stream: Stream) -> None:
    """End it where something is found, ends, or is decided, or a nanosecond beside that, with an empty row."""
    settings = stream.settings
    pauses = [own["pause_s"] for own in settings["misuse"].values()]
    instants: list[int] = []
    for rows in stream.rows.values():
        for record in find_all(rows, [], stream.end, settings):
            instants.append(record.onset)
            if record.cleared is not None:
                instants += [record.cleared, record.cleared + round(dice.choice(pauses) * SECOND)]
    if not instants:
        return
    stream.end = dice.choice(instants) + dice.choice((0, 0, 1, -1))
    for name, rows in stream.rows.items():
        stream.rows[name] = [row for row in rows if row.time_ns < stream.end]
    if dice.random() < 0.3:
        # The row that ends it is one of theirs, with all it says.
        for name, rows in stream.rows.items():
            stream.rows[name] = rows[: dice.randint(1, len(rows))] if rows else rows
        stream.end = max((row.time_ns for rows in stream.rows.values() for row in rows), default=stream.end)
    stream.rows[dice.choice([*stream.rows])].append(Row(stream.end, {}))


def rich(seed: int) -> Stream:
    """One recording of one or two hammers, some 250 rows. The same seed gives the same one."""
    dice = random.Random(f"rich {seed}")
    settings, wrong, right = drawn(dice)
    names = [f"HB-{i:02d}" for i in range(1, dice.choice((1, 1, 2)) + 1)]
    rows = {
        name: written(
            dice, wrong, right, MORNING + dice.choice((0, HALF)), dice.randint(20, 250 // len(names))
        )
        for name in names
    }
    end = max(row.time_ns for one in rows.values() for row in one)
    stream = Stream(rows, {}, {"misuse": settings}, end)
    if dice.random() < 0.5:
        cut_short(dice, stream)
    for name, one in stream.rows.items():
        onsets = [record.onset for record in find_all(one, [], stream.end, stream.settings)]
        events: list[Event] = sign_ons(dice, name, onsets, MORNING, stream.end)
        stream.events[name] = sorted(events, key=lambda event: event.time)
    assert all(event.site == SITE for own in stream.events.values() for event in own)
    return stream
