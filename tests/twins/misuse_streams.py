"""Random recordings of richer feeds, for the misuse faults.

Rows lie on a grid of half seconds, as limits and pauses do, so that spells begin, reach their limits, pause and end at
common instants; some are a nanosecond off it. Values are at, just below and just above their limits.
"""

import math
import random
from collections.abc import Mapping, Sequence
from typing import Any, Final

from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND
from tests.twins import find_all
from tests.twins.signals import Row
from tests.twins.streams import MORNING, Stream, above, below, made_once, random_sign_ons

HALF: Final = SECOND // 2
DAY: Final = 86_400 * SECOND
Values = Mapping[str, Sequence[float]]
"""By channel."""


def random_settings(rng: random.Random) -> tuple[dict[str, dict[str, Any]], Values, Values]:
    """Return settings of the seven faults, values beyond their limits, and values within them."""

    def spell(*limits_s: float) -> dict[str, Any]:
        pauses = (0.0, 0.0, 0.5, 1.0, 2.0, 2.0, 3.5)
        return {"limit_s": rng.choice((0.0, *limits_s)), "pause_s": rng.choice(pauses)}

    share, rated, lowest = rng.choice(((0.9, 2000.0, 1800.0), (0.85, 1900.0, 1615.0), (0.57, 100.0, 57.0)))
    margin, far = rng.choice(((0.05, 0.95), (0.0, 1.0), (0.07, 0.93), (0.35, 0.65)))
    line, tilt = rng.choice((45.0, 30.0, 0.0)), rng.choice((15.0, 0.0, 90.0))
    low, high = rng.choice(((50.0, 90.0), (None, 90.0), (50.0, None), (70.0, 70.0), (None, None)))
    side = rng.choice((80.0, 80.0, 0.0, None))
    settings = {
        "low_engine_speed": {
            **spell(5.0, 2.5, 1.0),
            "rated_rpm": rng.choice((rated, rated, rated, None)),
            "least_share": share,
        },
        "end_of_stroke": {**spell(1.0, 1.0, 2.0), "margin": margin},
        "over_side": {**spell(3.0, 1.0, 2.0), "limit_deg": line},
        "off_square": {**spell(2.0, 1.0), "limit_deg": tilt},
        "feed_force": {**spell(3.0, 1.5), "low_bar": low, "high_bar": high},
        "prying": {**spell(0.5, 1.0), "limit_bar": side},
        "submerged": {**spell(0.0, 0.0, 1.0), "fitted_for_water": rng.random() < 0.1},
    }
    tiny = 2.0**-30
    low, high, side = low or 50.0, high or 90.0, side or 0.0
    beyond = {
        "engine_rpm": (below(lowest), lowest - 1.0, 0.0, 400.0),
        "boom_stroke": (margin, far, 0.0, 1.0),
        "swing_deg": (
            line + tiny,
            180.0 - line - tiny,
            -line - tiny,
            90.0,
            -90.0,
            270.0,
            line - 180.0 - tiny,
        ),
        "tilt_deg": (above(tilt), below(-tilt), 120.0, -180.0),
        "feed_bar": (below(low), above(high), 0.0, 200.0),
        "side_load_bar": (above(side), side + 10.0, 600.0),
        "water_m": (above(0.0), 0.1, 1.5),
    }
    within = {
        "engine_rpm": (lowest, above(lowest), 2100.0),
        "boom_stroke": (above(margin), below(far), 0.5),
        "swing_deg": (line, -line, 180.0 - line, 180.0, 0.0, 360.0, -180.0 + line, -360.0),
        "tilt_deg": (tilt, -tilt, 0.0),
        "feed_bar": (low, high),
        "side_load_bar": (side, -5.0),
        "water_m": (0.0, -0.0, below(0.0), -2.0),
    }
    for more in ("stick_stroke", "bucket_stroke"):
        beyond[more], within[more] = beyond["boom_stroke"], within["boom_stroke"]
    return settings, beyond, within


def write_rows(rng: random.Random, beyond: Values, within: Values, start: int, count: int) -> list[Row]:
    """Return `count` rows of one hammer. It has its channels, some as NaN, from the first row on."""
    has_active = rng.random() < 0.75
    position = rng.random() < 0.5
    channels = [
        name
        for name in beyond
        if rng.random() < (0.9 if position and name.endswith(("_stroke", "swing_deg", "tilt_deg")) else 0.5)
    ]
    gap_share = rng.choice((0.02, 0.1, 0.3))
    is_beyond = dict.fromkeys(channels, False)
    fires, now, off_grid = True, start, 0
    rows: list[Row] = []
    while len(rows) < count:
        firing = rng.random() < (0.9 if fires else 0.35)
        values: dict[str, float] = {}
        if has_active:
            values["active"] = math.nan if rows and firing == fires and rng.random() < 0.1 else float(firing)
        else:
            values["pressure_bar"] = rng.choice((80.0, 140.0, 60.0) if firing else (below(60.0), 10.0))
        # Several change at one instant, so that causes begin, join and end together.
        together = rng.random() < 0.15
        for name in channels:
            change = rng.random() < (0.7 if together else 0.12)
            is_beyond[name] ^= change
            if change or rng.random() > gap_share or not rows:
                values[name] = rng.choice((beyond if is_beyond[name] else within)[name])
            if rows and rng.random() < 0.02:
                values[name] = rng.choice((math.nan, CHANNELS[name].high * 2 + 1.0, math.inf))
        rows.append(Row(now, values))
        fires = firing
        now -= off_grid
        off_grid = rng.choice((0, 0, 0, 1, -1)) if rng.random() < 0.3 else 0
        now += _step(rng) + off_grid
        if rng.random() < 0.02:
            rows.append(
                Row(rows[-1].time_ns - rng.choice((0, 1, HALF)), {**values, **_late_values(beyond, channels)})
            )
    return rows[:count]


def _late_values(values: Values, channels: Sequence[str]) -> dict[str, float]:
    """Return values beyond every limit, for a duplicate or late row, which must not count."""
    return {name: values[name][-1] for name in channels}


def _step(rng: random.Random) -> int:
    kind = rng.random()
    if kind < 0.9:
        return rng.choice((1, 1, 1, 2, 2, 2, 3, 4, 5, 7)) * HALF
    if kind < 0.99:
        return rng.choice((10, 10, 11, 12, 60, 62)) * SECOND
    return rng.choice((600 * SECOND, 601 * SECOND, DAY, 3 * DAY))


def end_at_a_finding(rng: random.Random, stream: Stream) -> None:
    """End the recording at about an onset or clearing, or when a clearing is decided, with an empty row."""
    settings = stream.settings
    pauses = [own["pause_s"] for own in settings["misuse"].values()]
    instants: list[int] = []
    for rows in stream.rows.values():
        for record in find_all(rows, [], stream.end, settings):
            instants.append(record.onset)
            if record.cleared is not None:
                instants += [record.cleared, record.cleared + round(rng.choice(pauses) * SECOND)]
    if not instants:
        return
    stream.end = rng.choice(instants) + rng.choice((0, 0, 1, -1))
    for name, rows in stream.rows.items():
        stream.rows[name] = [row for row in rows if row.time_ns < stream.end]
    if rng.random() < 0.3:
        # It ends with one of the rows.
        for name, rows in stream.rows.items():
            stream.rows[name] = rows[: rng.randint(1, len(rows))] if rows else rows
        stream.end = max((row.time_ns for rows in stream.rows.values() for row in rows), default=stream.end)
    stream.rows[rng.choice([*stream.rows])].append(Row(stream.end, {}))


@made_once
def misuse_stream(seed: int) -> Stream:
    """Return the recording of a seed: one or two hammers, about 250 rows."""
    rng = random.Random(f"rich {seed}")
    settings, beyond, within = random_settings(rng)
    names = [f"HB-{i:02d}" for i in range(1, rng.choice((1, 1, 2)) + 1)]
    rows = {
        name: write_rows(
            rng, beyond, within, MORNING + rng.choice((0, HALF)), rng.randint(20, 250 // len(names))
        )
        for name in names
    }
    end = max(row.time_ns for own in rows.values() for row in own)
    stream = Stream(rows, {}, {"misuse": settings}, end)
    if rng.random() < 0.5:
        end_at_a_finding(rng, stream)
    for name, own in stream.rows.items():
        onsets = [record.onset for record in find_all(own, [], stream.end, stream.settings)]
        events = random_sign_ons(rng, name, onsets, MORNING, stream.end)
        stream.events[name] = sorted(events, key=lambda event: event.time)
    return stream
