"""Streams of warming oil: minutes of work whose oil climbs, levels off, falls and goes missing, by seed."""

import math
import random

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, parse
from tests.twins.knowledge import Row
from tests.twins.streams import SITE, Stream

START = parse("2026-03-04T06:59:51Z")


def warming(seed: int) -> Stream:
    """One hammer, up to an hour; samples on the grid of 10 s and beside it."""
    dice = random.Random(seed)
    now, oil, rate = START + dice.choice((0, 1, 9 * SECOND, dice.randrange(10 * SECOND))), 40.0, 0.0
    noise, usual = dice.choice((0.0, 0.02, 0.3, 1.5)), dice.choice((1, 2, 5, 10))
    fires, sampled = True, True
    rows: list[Row] = []
    while len(rows) < 700 and now < START + 3600 * SECOND:
        if dice.random() < 0.02:
            rate = dice.choice((0.0, 0.02, 0.05, 0.08, 0.15, -0.05))
        if dice.random() < 0.01:
            oil = dice.choice((40.0, 55.0, 62.0, 70.0, 79.0, 81.0))
        fires = not fires if dice.random() < 0.05 else fires
        sampled = not sampled if dice.random() < (0.01 if sampled else 0.05) else sampled
        values = {"active": float(fires)}
        if sampled:
            values["oil_c"] = oil + dice.gauss(0.0, noise)
        if dice.random() < 0.02:
            values["oil_c"] = dice.choice((math.nan, 210.5, -41.0))
        rows.append(Row(now, values))
        step = usual * SECOND
        if dice.random() < 0.2:
            step = dice.choice((1, 999_999_999, 10 * SECOND, 10 * SECOND - now % (10 * SECOND)))
        if dice.random() < 0.005:
            step = dice.choice((60, 150, 151, 310, 900)) * SECOND
        now += step
        oil += rate * step / SECOND
    end = rows[-1].time_ns
    settings = {
        "oil_heating": {"limit_c": dice.choice((80.0, 80.0, 65.0)), "ahead_s": dice.choice((600.0, 200.0))}
    }
    events = [Event(SITE, "HB-01", "sign_on", START + dice.randrange(10**12), {"operator": "op-14"})]
    return Stream({"HB-01": rows}, {"HB-01": events}, settings, end)
