"""Random recordings of hammers with automatic greasing.

Rows lie on a grid of half seconds, as limits and hold times do, so that level, flow and pressure cross their limits at
common instants; some are a nanosecond off it. Silences end just before, at and just after the hold time of level and
flow.
"""

import math
import random
from typing import Any

from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND
from tests.twins import greasing
from tests.twins.signals import Row
from tests.twins.streams import MORNING, Stream, above, below, made_once, random_sign_ons

HALF = SECOND // 2
HOLD = CHANNELS["grease_flow"].hold_ns
LOW, REFILLED = 0.10, 0.15
LOW_BAR, HIGH_BAR = 20.0, 200.0


LEVELS = (LOW, below(LOW), 0.0, 0.12, REFILLED, below(REFILLED), 1.0)
INSIDE = (LOW_BAR, HIGH_BAR, 100.0)
OUTSIDE = (below(LOW_BAR), above(HIGH_BAR), -10.0, 600.0)


def random_settings(rng: random.Random) -> dict[str, Any]:
    equal = rng.random() < 0.2
    return {
        "low_level": LOW,
        "refilled_level": LOW if equal else REFILLED,
        "no_flow_s": rng.choice((600.0, 5.0, 5.0, 2.0, 0.5, 12.0)),
        "line_low_bar": rng.choice((LOW_BAR, LOW_BAR, None)),
        "line_high_bar": rng.choice((HIGH_BAR, HIGH_BAR, None)),
        "line_s": rng.choice((10.0, 2.0, 2.0, 3.5, 1.0, 0.5)),
    }


def write_rows(rng: random.Random, start: int, count: int) -> list[Row]:
    """Return `count` rows of one hammer. It has `active` in every row or in none."""
    has_active = rng.random() < 0.75
    channels = [name for name in ("grease_level", "grease_flow", "grease_bar") if rng.random() < 0.8]
    sampled_share = {name: rng.choice((0.1, 0.4, 0.9)) for name in channels}
    silences = rng.choice((0.0, 0.02, 0.1))
    now, off_grid, flows, outside = start, 0, 1.0, False
    rows: list[Row] = []
    while len(rows) < count:
        firing = rng.random() < 0.7
        values: dict[str, float] = {}
        if has_active:
            values["active"] = math.nan if rng.random() < 0.1 else float(firing)
        else:
            values["pressure_bar"] = 140.0 if firing else 10.0
        if rng.random() < 0.15:
            flows = 1.0 - flows
        if rng.random() < 0.15:
            outside = not outside
        for name in channels:
            if rng.random() < sampled_share[name]:
                values[name] = {
                    "grease_level": rng.choice(LEVELS),
                    "grease_flow": flows,
                    "grease_bar": rng.choice(OUTSIDE if outside else INSIDE),
                }[name]
            if rng.random() < 0.02:
                values[name] = rng.choice((math.nan, 1e9, -1e9))
        rows.append(Row(now, values))
        now -= off_grid
        off_grid = rng.choice((0, 0, 1, -1)) if rng.random() < 0.3 else 0
        if rng.random() < silences:
            now += HOLD + rng.choice((-2, -1, 0, 0, 1, 4)) * HALF
        else:
            now += rng.choice((1, 1, 1, 2, 2, 3, 4, 4, 5)) * HALF
        now += off_grid
    return rows


def end_at_a_finding(rng: random.Random, stream: Stream) -> None:
    """End the recording at about an onset or clearing, with an empty row or one of the rows."""
    instants = [
        instant
        for rows in stream.rows.values()
        for record in greasing.find_automatic(rows, [], stream.end, **stream.settings["grease_feed"])
        for instant in (record.onset, record.cleared)
        if instant is not None
    ]
    if not instants:
        return
    stream.end = rng.choice(instants) + rng.choice((0, 0, 1, -1))
    keeps_last = rng.random() < 0.5
    for name, rows in stream.rows.items():
        stream.rows[name] = [r for r in rows if r.time_ns < stream.end + keeps_last]
    if all(not rows or rows[-1].time_ns < stream.end for rows in stream.rows.values()):
        stream.rows[rng.choice([*stream.rows])].append(Row(stream.end, {}))


@made_once
def greasing_stream(seed: int) -> Stream:
    """Return the recording of a seed: one or two hammers, about 250 rows."""
    rng = random.Random(f"fed {seed}")
    settings = random_settings(rng)
    names = ("HB-01", "HB-02")[: rng.choice((1, 1, 2))]
    rows = {
        name: write_rows(rng, MORNING + rng.choice((0, HALF)), rng.randint(10, 250 // len(names)))
        for name in names
    }
    end = max(row.time_ns for own in rows.values() for row in own)
    stream = Stream(rows, {}, {"grease_feed": settings}, end)
    if rng.random() < 0.5:
        end_at_a_finding(rng, stream)
    for name, own in stream.rows.items():
        onsets = [record.onset for record in greasing.find_automatic(own, [], stream.end, **settings)]
        events = random_sign_ons(rng, name, onsets, MORNING, stream.end)
        stream.events[name] = sorted(events, key=lambda event: event.time)
    return stream
