"""Streams of hammers with automatic greasing: small seeded recordings, full of ties.

Rows lie on a grid of half seconds, as limits and hold times do, so that a reservoir falls low, flow stops and comes
back and a line's pressure leaves its band at the very instants at which something else is reached; now and then one is
a nanosecond beside it. Silences end just before, at and just after the ten minutes for which level and flow are known.
"""

import math
import random
from typing import Any

from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND
from tests.twins import grease_feed
from tests.twins.knowledge import Row
from tests.twins.streams import MORNING, Stream, sign_ons

HALF = SECOND // 2
HOLD = CHANNELS["grease_flow"].hold_ns
LOW, REFILLED = 0.10, 0.15
LOW_BAR, HIGH_BAR = 20.0, 200.0


def below(value: float) -> float:
    return math.nextafter(value, -math.inf)


def above(value: float) -> float:
    return math.nextafter(value, math.inf)


LEVELS = (LOW, below(LOW), 0.0, 0.12, REFILLED, below(REFILLED), 1.0)
INSIDE = (LOW_BAR, HIGH_BAR, 100.0)
OUTSIDE = (below(LOW_BAR), above(HIGH_BAR), -10.0, 600.0)


def drawn(dice: random.Random) -> dict[str, Any]:
    equal = dice.random() < 0.2
    return {
        "low_level": LOW,
        "refilled_level": LOW if equal else REFILLED,
        "no_flow_s": dice.choice((600.0, 5.0, 5.0, 2.0, 0.5, 12.0)),
        "line_low_bar": dice.choice((LOW_BAR, LOW_BAR, None)),
        "line_high_bar": dice.choice((HIGH_BAR, HIGH_BAR, None)),
        "line_s": dice.choice((10.0, 2.0, 2.0, 3.5, 1.0, 0.5)),
    }


def written(dice: random.Random, start: int, budget: int) -> list[Row]:
    """The rows of one hammer. Whether it has `active` stays so from its first row on."""
    has_active = dice.random() < 0.75
    channels = [name for name in ("grease_level", "grease_flow", "grease_bar") if dice.random() < 0.8]
    often = {name: dice.choice((0.1, 0.4, 0.9)) for name in channels}
    silences = dice.choice((0.0, 0.02, 0.1))
    now, off_grid, flows, outside = start, 0, 1.0, False
    rows: list[Row] = []
    while len(rows) < budget:
        firing = dice.random() < 0.7
        values: dict[str, float] = {}
        if has_active:
            values["active"] = math.nan if dice.random() < 0.1 else float(firing)
        else:
            values["pressure_bar"] = 140.0 if firing else 10.0
        if dice.random() < 0.15:
            flows = 1.0 - flows
        if dice.random() < 0.15:
            outside = not outside
        for name in channels:
            if dice.random() < often[name]:
                values[name] = {
                    "grease_level": dice.choice(LEVELS),
                    "grease_flow": flows,
                    "grease_bar": dice.choice(OUTSIDE if outside else INSIDE),
                }[name]
            if dice.random() < 0.02:
                values[name] = dice.choice((math.nan, 1e9, -1e9))
        rows.append(Row(now, values))
        now -= off_grid
        off_grid = dice.choice((0, 0, 1, -1)) if dice.random() < 0.3 else 0
        if dice.random() < silences:
            now += HOLD + dice.choice((-2, -1, 0, 0, 1, 4)) * HALF
        else:
            now += dice.choice((1, 1, 1, 2, 2, 3, 4, 4, 5)) * HALF
        now += off_grid
    return rows


def cut_short(dice: random.Random, stream: Stream) -> None:
    """End it where something is found or ends, or a nanosecond beside that, with an empty row or one of theirs."""
    instants = [
        instant
        for rows in stream.rows.values()
        for record in grease_feed.find(rows, [], stream.end, **stream.settings["grease_feed"])
        for instant in (record.onset, record.cleared)
        if instant is not None
    ]
    if not instants:
        return
    stream.end = dice.choice(instants) + dice.choice((0, 0, 1, -1))
    with_it = dice.random() < 0.5
    for name, rows in stream.rows.items():
        stream.rows[name] = [r for r in rows if r.time_ns < stream.end + with_it]
    if all(not rows or rows[-1].time_ns < stream.end for rows in stream.rows.values()):
        stream.rows[dice.choice([*stream.rows])].append(Row(stream.end, {}))


def fed(seed: int) -> Stream:
    """One recording of one or two hammers, some 250 rows. The same seed gives the same one."""
    dice = random.Random(f"fed {seed}")
    settings = drawn(dice)
    names = ("HB-01", "HB-02")[: dice.choice((1, 1, 2))]
    rows = {
        name: written(dice, MORNING + dice.choice((0, HALF)), dice.randint(10, 250 // len(names)))
        for name in names
    }
    end = max(row.time_ns for one in rows.values() for row in one)
    stream = Stream(rows, {}, {"grease_feed": settings}, end)
    if dice.random() < 0.5:
        cut_short(dice, stream)
    for name, one in stream.rows.items():
        onsets = [record.onset for record in grease_feed.find(one, [], stream.end, **settings)]
        events = sign_ons(dice, name, onsets, MORNING, stream.end)
        stream.events[name] = sorted(events, key=lambda event: event.time)
    return stream
