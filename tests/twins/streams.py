"""Random recordings whose instants lie on, just before and just after every limit.

`boundary_stream(seed)` gives one to three hammers, at most about 400 rows together, with settings scaled down so that
each rule applies often. The rows come from `row_writer`. `arm_angle_stream` gives the same recordings with angles of
the arm in place of positions, `warming_oil_stream` minutes of work in which the oil warms up."""

import math
import random
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, wraps
from itertools import product
from typing import Any, Final

import numpy as np

from strikewatch.core.batch import Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, parse, seconds
from tests.twins import find_all, greasing
from tests.twins.row_writer import Settings, write_rows
from tests.twins.same_spot import ANGLES
from tests.twins.signals import Row

MORNING = parse("2026-03-04T07:00:00Z")
SITE = "fennick-hollow"


@dataclass
class Stream:
    """A recording: by hammer, rows in the order of arrival and events; the settings by twin; its end."""

    rows: dict[str, list[Row]]
    events: dict[str, list[Event]]
    settings: Settings
    end: int


KEPT: Final = 300
"""Streams of each kind that a process keeps."""


def made_once(make: Callable[[int], Stream]) -> Callable[[int], Stream]:
    """Make the recording of a seed once in a process, since many tests use it; each call returns a copy."""
    original = lru_cache(KEPT)(make)

    @wraps(make)
    def copy_of(seed: int) -> Stream:
        one = original(seed)
        rows = {name: list(own) for name, own in one.rows.items()}
        events = {name: list(own) for name, own in one.events.items()}
        return Stream(rows, events, dict(one.settings), one.end)

    return copy_of


def below(value: float) -> float:
    return math.nextafter(value, -math.inf)


def above(value: float) -> float:
    return math.nextafter(value, math.inf)


def columns(rows: list[Row]) -> Rows:
    """Return the rows as arrays, NaN where not sampled."""
    names = dict.fromkeys(name for row in rows for name in row.values)
    return Rows(
        np.array([row.time_ns for row in rows], np.int64),
        {name: np.array([row.values.get(name, math.nan) for row in rows], float) for name in names},
    )


def scaled_settings(rng: random.Random) -> dict[str, dict[str, Any]]:
    """Return settings under which every rule applies within a few hundred rows."""
    return {
        "same_spot": {
            "limit_s": rng.choice((15.0, 6.0, 3.0)),
            "reposition_s": rng.choice((2.0, 2.0, 1.0, 3.5)),
            "spot_radius_m": 0.5,
        },
        "hot_oil": {
            "hot_c": 80.0,
            "cool_c": 78.0,
            "high_c": 85.0,
            "on_delay_s": rng.choice((5.0, 5.0, 5.0, 1.0, 0.0, 75.0)),
        },
        "cold_oil": {"cold_limit_c": 20.0, "cold_firing_s": rng.choice((10.0, 4.0))},
        "grease": {
            "due_s": 45.0,
            "limit_s": 60.0,
            "high_s": 90.0,
            "count_firing": rng.random() < 0.15,
        },
        "signal_lost": {"silence_s": 30.0},
        "sensor_fault": {
            "frozen_s": rng.choice((20.0, 8.0)),
            "off_delay_s": rng.choice((2.0, 2.0, 0.0, 1.0, 7.5, 40.0)),
        },
    }


def random_greasings(
    rng: random.Random, hammer: str, rows: list[Row], end: int, settings: Settings
) -> list[Event]:
    """Return grease events at the instants at which the clock reaches a limit, next to them, and elsewhere."""
    first = rows[0].time_ns if rows else end - 60 * SECOND
    events: list[Event] = []
    for _ in range(rng.randint(0, 5)):
        found = greasing.find_manual(rows, events, end, **settings["grease"])
        deadlines = [record.onset for record in found if record.fault != "grease_short"]
        if deadlines and rng.random() < 0.6:
            time = rng.choice(deadlines) + rng.choice((0, 0, 1, -1, SECOND))
        else:
            time = rng.randint(first - SECOND, end + rng.choice((0, 40 * SECOND)))
        if any(event.time == time for event in events):
            continue
        fields: dict[str, Any] = {}
        strokes = rng.choice((None, [], [15], [14], [12, 12], [10, 10], [10, 9], [3], [10, 10, 9], [0, 15]))
        if strokes is not None:
            fields["strokes"] = strokes
        method = rng.choice((None, "manual", "manual", "automatic"))
        if method is not None:
            fields["method"] = method
        events.append(Event(SITE, hammer, "grease", time, fields))
    return events


def random_sign_ons(rng: random.Random, hammer: str, onsets: list[int], first: int, end: int) -> list[Event]:
    """Return sign-ons and sign-offs at onsets, next to them, and 14 h before them."""
    events: list[Event] = []
    for _ in range(rng.randint(0, 6)):
        time = rng.choice(onsets) if onsets and rng.random() < 0.8 else rng.randint(first, max(first, end))
        time += rng.choice((0, 0, 1, -1, -SECOND, 1000))
        if rng.random() < 0.2:
            time -= 14 * 3600 * SECOND
        if any(event.time == time for event in events):
            continue
        if rng.random() < 0.65:
            fields = {"operator": f"op-{rng.randint(11, 18)}"}
            events.append(Event(SITE, hammer, "sign_on", time, fields))
        else:
            events.append(Event(SITE, hammer, "sign_off", time))
    return events


def end_at_a_finding(rng: random.Random, rows: dict[str, list[Row]], settings: Settings, end: int) -> int:
    """End the recording at an onset or a clearing, or when a clearing becomes known, with an empty row."""
    found = [record for own in rows.values() for record in find_all(own, [], end, settings)]
    if not found:
        return end
    fault = rng.choice(sorted({record.fault for record in found}))
    record = rng.choice([record for record in found if record.fault == fault])
    instant = record.onset
    if record.cleared is not None and rng.random() < 0.5:
        instant = record.cleared
        if record.fault == "same_spot" and rng.random() < 0.7:
            instant += seconds(settings["same_spot"]["reposition_s"])
        if record.fault == "sensor_fault" and rng.random() < 0.7:
            instant += seconds(settings["sensor_fault"]["off_delay_s"])
    instant += rng.choice((0, 0, 1, -1))
    for name in rows:
        rows[name] = [row for row in rows[name] if row.time_ns < instant]
    rows[rng.choice([*rows])].append(Row(instant, {}))
    return instant


@made_once
def boundary_stream(seed: int) -> Stream:
    """Return the recording of a seed."""
    rng = random.Random(seed)
    settings = scaled_settings(rng)
    names = [f"HB-{i:02d}" for i in range(1, rng.randint(1, 3) + 1)]
    rows: dict[str, list[Row]] = {}
    for name in names:
        start = MORNING + rng.choice((0, 0, 1, SECOND, rng.randint(0, 60 * SECOND)))
        rows[name] = write_rows(rng, settings, start, rng.randint(30, 400 // len(names)))
    if len(names) > 1 and rng.random() < 0.1:
        rows[names[-1]] = []
    end = max(row.time_ns for own in rows.values() for row in own)
    if rng.random() < 0.5:
        end = end_at_a_finding(rng, rows, settings, end)
    events = {}
    for name in names:
        greased = random_greasings(rng, name, rows[name], end, settings)
        onsets = [record.onset for record in find_all(rows[name], greased, end, settings)]
        first = rows[name][0].time_ns if rows[name] else MORNING
        events[name] = sorted(
            [*greased, *random_sign_ons(rng, name, onsets, first, end)], key=lambda event: event.time
        )
    return Stream(rows, events, settings, end)


ARM: Final[dict[str, Any]] = {"boom_m": 5.6, "stick_m": 2.7, "tool_m": 2.4, "boom_foot_m": 0.2}
ARM_POSITIONS: Final = list(
    product((40.0, 42.0, 55.0), (-90.0, -75.0), (-60.0, -58.5), (0.0, 1.0, 3.0, 90.0, 183.0, -177.0))
)
"""Boom, stick, bucket and swing, deg. No two positions are 0.5 m apart, except for rounding (a test checks it)."""


def replace_positions_by_angles(rng: random.Random, rows: list[Row]) -> list[Row]:
    """Return the same rows with angles in place of positions, or with both.

    Each row has some of the angles, with gaps at and beyond their hold time. Some feeds have positions too, or only
    from the middle on.
    """
    positions_from = rng.choice((len(rows),) * 8 + (len(rows) // 2, 0))
    angle_share = rng.choice((0.15, 0.4, 0.8))
    place, arm = (math.nan, math.nan), rng.choice(ARM_POSITIONS)
    new_rows = []
    for number, (time, sampled) in enumerate(rows):
        values = dict(sampled)
        now = values.pop("tool_x_m", math.nan), values.pop("tool_y_m", math.nan)
        if now != place and not math.isnan(sum(now)):
            other = rng.choice(ARM_POSITIONS)
            joint = rng.randrange(len(ANGLES))
            arm = other if rng.random() < 0.3 else (*arm[:joint], other[joint], *arm[joint + 1 :])
            place = now
        for name, value in zip(ANGLES, arm, strict=True):
            if number == 0 or rng.random() < angle_share:
                values[name] = rng.choice((400.0, math.nan)) if rng.random() < 0.03 else value
        if number >= positions_from:
            values |= {name: sampled[name] for name in ("tool_x_m", "tool_y_m") if name in sampled}
        new_rows.append(Row(time, values))
    return new_rows


@made_once
def arm_angle_stream(seed: int) -> Stream:
    """Return the recording of a seed."""
    rng = random.Random(f"jointed {seed}")
    stream = boundary_stream(seed)
    arm = {**ARM, "angles": rng.choice(("joint", "level"))} if rng.random() < 0.9 else None
    stream.settings = {**stream.settings, "same_spot": {**stream.settings["same_spot"], "arm": arm}}
    stream.rows = {name: replace_positions_by_angles(rng, rows) for name, rows in stream.rows.items()}
    return stream


WARMING_START = parse("2026-03-04T06:59:51Z")


def warming_oil_stream(seed: int) -> Stream:
    """Return up to an hour of one hammer; samples on the grid of 10 s and off it."""
    rng = random.Random(seed)
    now, oil, rate = WARMING_START + rng.choice((0, 1, 9 * SECOND, rng.randrange(10 * SECOND))), 40.0, 0.0
    noise, usual_step_s = rng.choice((0.0, 0.02, 0.3, 1.5)), rng.choice((1, 2, 5, 10))
    fires, sampled = True, True
    rows: list[Row] = []
    while len(rows) < 700 and now < WARMING_START + 3600 * SECOND:
        if rng.random() < 0.02:
            rate = rng.choice((0.0, 0.02, 0.05, 0.08, 0.15, -0.05))
        if rng.random() < 0.01:
            oil = rng.choice((40.0, 55.0, 62.0, 70.0, 79.0, 81.0))
        fires = not fires if rng.random() < 0.05 else fires
        sampled = not sampled if rng.random() < (0.01 if sampled else 0.05) else sampled
        values = {"active": float(fires)}
        if sampled:
            values["oil_c"] = oil + rng.gauss(0.0, noise)
        if rng.random() < 0.02:
            values["oil_c"] = rng.choice((math.nan, 210.5, -41.0))
        rows.append(Row(now, values))
        step = usual_step_s * SECOND
        if rng.random() < 0.2:
            step = rng.choice((1, 999_999_999, 10 * SECOND, 10 * SECOND - now % (10 * SECOND)))
        if rng.random() < 0.005:
            step = rng.choice((60, 150, 151, 310, 900)) * SECOND
        now += step
        oil += rate * step / SECOND
    end = rows[-1].time_ns
    settings = {
        "oil_heating": {"limit_c": rng.choice((80.0, 80.0, 65.0)), "ahead_s": rng.choice((600.0, 200.0))}
    }
    events = [Event(SITE, "HB-01", "sign_on", WARMING_START + rng.randrange(10**12), {"operator": "op-14"})]
    return Stream({"HB-01": rows}, {"HB-01": events}, settings, end)
