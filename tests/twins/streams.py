"""Nasty streams: small seeded recordings whose instants sit on, just before and just after every limit.

`nasty(seed)` gives one to three hammers, some 400 rows together at most, with settings scaled down so that
each rule is met often. The rows come from `pen`; here are the settings, the events and the end.
"""

import math
import random
from dataclasses import dataclass
from typing import Any

import numpy as np

from strikewatch.core.batch import Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, parse, seconds
from tests.twins import find_all, grease
from tests.twins.knowledge import Row
from tests.twins.pen import Settings, written

MORNING = parse("2026-03-04T07:00:00Z")
SITE = "fennick-hollow"


@dataclass
class Stream:
    """Rows in the order of arrival and events, by hammer; the settings by twin; the end of the recording."""

    rows: dict[str, list[Row]]
    events: dict[str, list[Event]]
    settings: Settings
    end: int


def columns(rows: list[Row]) -> Rows:
    """The same rows as arrays, NaN where not sampled."""
    names = dict.fromkeys(name for row in rows for name in row.values)
    return Rows(
        np.array([row.time_ns for row in rows], np.int64),
        {name: np.array([row.values.get(name, math.nan) for row in rows], float) for name in names},
    )


def scaled(dice: random.Random) -> dict[str, dict[str, Any]]:
    """Settings under which a few hundred rows meet every rule; an on-delay beyond the hold too."""
    return {
        "same_spot": {
            "limit_s": dice.choice((15.0, 6.0, 3.0)),
            "reposition_s": dice.choice((2.0, 2.0, 1.0, 3.5)),
            "spot_radius_m": 0.5,
        },
        "hot_oil": {
            "hot_c": 80.0,
            "cool_c": 78.0,
            "high_c": 85.0,
            "on_delay_s": dice.choice((5.0, 5.0, 5.0, 1.0, 0.0, 75.0)),
        },
        "cold_oil": {"cold_limit_c": 20.0, "cold_firing_s": dice.choice((10.0, 4.0))},
        "grease": {
            "due_s": 45.0,
            "limit_s": 60.0,
            "high_s": 90.0,
            "count_firing": dice.random() < 0.15,
        },
        "signal_lost": {"silence_s": 30.0},
        "sensor_fault": {
            "frozen_s": dice.choice((20.0, 8.0)),
            "off_delay_s": dice.choice((2.0, 2.0, 0.0, 1.0, 7.5, 40.0)),
        },
    }


def greasings(dice: random.Random, hammer: str, rows: list[Row], end: int, settings: Settings) -> list[Event]:
    """Grease events at the very instants at which the clock reaches a limit, beside them, and anywhere."""
    first = rows[0].time_ns if rows else end - 60 * SECOND
    events: list[Event] = []
    for _ in range(dice.randint(0, 5)):
        found = grease.find(rows, events, end, **settings["grease"])
        deadlines = [record.onset for record in found if record.fault != "grease_short"]
        if deadlines and dice.random() < 0.6:
            time = dice.choice(deadlines) + dice.choice((0, 0, 1, -1, SECOND))
        else:
            time = dice.randint(first - SECOND, end + dice.choice((0, 40 * SECOND)))
        if any(event.time == time for event in events):
            continue
        fields: dict[str, Any] = {}
        strokes = dice.choice((None, [], [15], [14], [12, 12], [10, 10], [10, 9], [3], [10, 10, 9], [0, 15]))
        if strokes is not None:
            fields["strokes"] = strokes
        method = dice.choice((None, "manual", "manual", "automatic"))
        if method is not None:
            fields["method"] = method
        events.append(Event(SITE, hammer, "grease", time, fields))
    return events


def sign_ons(dice: random.Random, hammer: str, onsets: list[int], first: int, end: int) -> list[Event]:
    """People coming and going at the very onsets, beside them, and 14 h before them."""
    events: list[Event] = []
    for _ in range(dice.randint(0, 6)):
        time = dice.choice(onsets) if onsets and dice.random() < 0.8 else dice.randint(first, max(first, end))
        time += dice.choice((0, 0, 1, -1, -SECOND, 1000))
        if dice.random() < 0.2:
            time -= 14 * 3600 * SECOND
        if any(event.time == time for event in events):
            continue
        if dice.random() < 0.65:
            fields = {"operator": f"op-{dice.randint(11, 18)}"}
            events.append(Event(SITE, hammer, "sign_on", time, fields))
        else:
            events.append(Event(SITE, hammer, "sign_off", time))
    return events


def cut_short(dice: random.Random, rows: dict[str, list[Row]], settings: Settings, end: int) -> int:
    """End the recording at an onset, a clearing, or where a clearing becomes certain, with an empty row."""
    found = [record for one in rows.values() for record in find_all(one, [], end, settings)]
    if not found:
        return end
    fault = dice.choice(sorted({record.fault for record in found}))
    record = dice.choice([record for record in found if record.fault == fault])
    instant = record.onset
    if record.cleared is not None and dice.random() < 0.5:
        instant = record.cleared
        if record.fault == "same_spot" and dice.random() < 0.7:
            instant += seconds(settings["same_spot"]["reposition_s"])
        if record.fault == "sensor_fault" and dice.random() < 0.7:
            instant += seconds(settings["sensor_fault"]["off_delay_s"])
    instant += dice.choice((0, 0, 1, -1))
    for name in rows:
        rows[name] = [row for row in rows[name] if row.time_ns < instant]
    rows[dice.choice([*rows])].append(Row(instant, {}))
    return instant


def nasty(seed: int) -> Stream:
    """One recording. The same seed gives the same one."""
    dice = random.Random(seed)
    settings = scaled(dice)
    names = [f"HB-{i:02d}" for i in range(1, dice.randint(1, 3) + 1)]
    rows: dict[str, list[Row]] = {}
    for name in names:
        start = MORNING + dice.choice((0, 0, 1, SECOND, dice.randint(0, 60 * SECOND)))
        rows[name] = written(dice, settings, start, dice.randint(30, 400 // len(names)))
    if len(names) > 1 and dice.random() < 0.1:
        rows[names[-1]] = []
    end = max(row.time_ns for one in rows.values() for row in one)
    if dice.random() < 0.5:
        end = cut_short(dice, rows, settings, end)
    events = {}
    for name in names:
        greased = greasings(dice, name, rows[name], end, settings)
        onsets = [record.onset for record in find_all(rows[name], greased, end, settings)]
        first = rows[name][0].time_ns if rows[name] else MORNING
        events[name] = sorted(
            [*greased, *sign_ons(dice, name, onsets, first, end)], key=lambda event: event.time
        )
    return Stream(rows, events, settings, end)
