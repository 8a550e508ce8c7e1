"""Random recordings for the maintenance timers, with and without corrections; seconds stand for hours and days.

Rows lie on a grid of whole seconds, as limits do; some are a nanosecond off it. Events come at rows, between rows, at
the instants at which something becomes due, and late."""

import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any, Final, NamedTuple

from strikewatch.core.events import Event, reference_to
from strikewatch.core.instant import SECOND, parse, seconds
from tests.twins import maintenance
from tests.twins.signals import Row, accepted, firing_spans, samples, working_spans
from tests.twins.streams import SITE, Stream, boundary_stream, made_once

MORNING: Final = parse("2026-03-04T07:00:00Z")
HOUR, DAY = 1 / 3600, 1 / 86_400
"""One second in hours and in days."""
BREAK_S: Final = 40
IDLE_S: Final = 150


def random_settings(rng: random.Random) -> dict[str, Any]:
    inspection = rng.choice(((45, 50, 60), (20, 30, 35), (30, 30, 60), (10, 50, 50)))
    service = rng.choice(((95, 100, 110), (55, 60, 60)))
    passed = rng.choice(((100, 120, 140), (60, 70, 80), (1000, 2000, 3000), (50, 50, 51)))
    return {
        "inspection_h": tuple(s * HOUR for s in inspection),
        "inspection_days": tuple(s * DAY for s in passed),
        "service_h": tuple(s * HOUR for s in service),
        "service_days": tuple(s * DAY for s in rng.choice(((200, 210, 220), (3000, 3001, 3002)))),
        "break_h": rng.choice((BREAK_S, BREAK_S, 15)) * HOUR,
        "check_ahead_s": rng.choice((0.0, 10.0, 30.0)),
        "storage_days": rng.choice((IDLE_S, 60)) * DAY,
    }


def write_rows(rng: random.Random, count: int) -> list[Row]:
    """Return `count` rows of one hammer. It has engine speed from the first row on, or never."""
    has_engine, now, off_grid = rng.random() < 0.5, MORNING, 0
    usual_steps = rng.choice(((1, 2, 5), (5, 5, 10), (9, 10, 11)))
    rpm, fires = 1500.0, rng.random() < 0.5
    rows: list[Row] = []
    while len(rows) < count:
        fires = rng.random() < (0.7 if fires else 0.2)
        values = {"active": float(fires)}
        if has_engine and (not rows or rng.random() < 0.6):
            rpm = rng.choice((1500.0, 1500.0, 1500.0, 400.0, 401.0, 0.0))
            values["engine_rpm"] = rpm
        rows.append(Row(now, {} if rows and rng.random() < 0.05 else values))
        now -= off_grid
        off_grid = rng.choice((1, -1)) if rng.random() < 0.1 else 0
        now += _step(rng, usual_steps) * SECOND + off_grid
    return rows


def _step(rng: random.Random, usual_steps: tuple[int, ...]) -> int:
    kind = rng.random()
    if kind < 0.93:
        return rng.choice(usual_steps)
    if kind < 0.98:
        return rng.choice((10, 11, 15, 20, BREAK_S, BREAK_S + 1))
    return rng.choice((60, 62, IDLE_S, IDLE_S + 2, 900, 3 * 86_400))


def random_events(
    rng: random.Random, name: str, rows: list[Row], end: int, settings: dict[str, Any]
) -> list[Event]:
    """Return events, most of them at instants at which something is found so far."""
    bouts = firing_spans(accepted(rows))
    edges = [at for bout in bouts for at in bout]
    events: list[Event] = []
    if rng.random() < 0.7:
        # Checked once, so that a check can be missed.
        events.append(Event(SITE, name, "check", MORNING - 100 * SECOND, {"result": "ok"}))
    idle = seconds(settings["storage_days"] * 86_400)
    last_blows = [end for (_, end), (begin, _) in pairwise(bouts) if begin - end >= idle]
    if last_blows and rng.random() < 0.4:
        # Inspected the moment it stopped, before a long rest.
        events.append(Event(SITE, name, "check", rng.choice(last_blows), {"result": "ok"}))
    breaks = _break_instants(rows, round(settings["break_h"] * 3600) * SECOND)
    if breaks and rng.random() < 0.5:
        # The same operator before a break and after it, or when it ends.
        instants = (MORNING - 50 * SECOND, *rng.sample(breaks, min(len(breaks), 2)))
        events += [Event(SITE, name, "sign_on", at, {"operator": "op-11"}) for at in instants]
    for _ in range(rng.randint(0, 12)):
        records = maintenance.find(rows, events, end, **settings)
        due = [
            at for record in records for at in (record.onset, record.cleared) if at is not None and at <= end
        ]
        kind = rng.random()
        if due and kind < 0.4:
            at = rng.choice(due) + rng.choice((0, 0, 0, 1, -1, SECOND))
        elif edges and kind < 0.5:
            at = rng.choice(edges)
        elif kind < 0.75:
            at = rng.choice(rows).time_ns + rng.choice((0, 0, 1, -1, -10 * SECOND))
        else:
            at = rng.choice(rows).time_ns + rng.randrange(-30, 30) * SECOND // 2
        at = min(at, end)
        if any(event.effective == at for event in events):
            continue
        time = at
        if rng.random() < 0.15:
            time -= rng.choice((1, 5 * SECOND, 30 * SECOND, 65 * SECOND, 200 * SECOND))
        kind_name, fields = rng.choice(EVENT_MAKERS)(rng, rows, events, at)
        events.append(Event(SITE, name, kind_name, time, fields, at if time < at else -1))
        out = at + rng.choice((1, 3 * SECOND, 10 * SECOND))
        if fields.get("state") == "in" and out <= end and rng.random() < 0.4:
            events.append(Event(SITE, name, "storage", out, {"state": "out"}))
    return sorted(events, key=lambda event: event.effective)


def _break_instants(rows: list[Row], break_ns: int) -> list[int]:
    """Return instants in breaks: when the time since the last row makes it a break, next to that, and at its end."""
    return [
        at
        for before, after in pairwise(accepted(rows))
        for at in (*(before.time_ns + break_ns + offset for offset in (-1, 0, 0, 1)), after.time_ns)
        if break_ns <= after.time_ns - before.time_ns and at <= after.time_ns
    ]


KindAndFields = tuple[str, dict[str, Any]]
Maker = Callable[[random.Random, list[Row], list[Event], int], KindAndFields]


def _plain(kind: str, **fields: Any) -> Maker:
    return lambda _dice, _rows, _events, _at: (kind, dict(fields))


def _signed(rng: random.Random, _rows: list[Row], _events: list[Event], _at: int) -> KindAndFields:
    if rng.random() < 0.3:
        return "sign_off", {}
    return "sign_on", {"operator": rng.choice(("op-11", "op-11", "op-12"))}


def _hours(rng: random.Random, rows: list[Row], events: list[Event], at: int) -> KindAndFields:
    """Return a reading of the hour meter at, near or far above its value, with any reason."""
    clock = maintenance.Clock(rows, working_spans(rows), bool(samples(rows, "engine_rpm")))
    probe = Event(SITE, "", "hours", at, {"meter_h": 0.0, "reason": "corrected"})
    before = [event for event in events if event.effective < at]
    (change,) = (
        found for found in maintenance.meter_changes(clock, [*before, probe]) if found.event is probe
    )
    expected = -(change.difference or 0)
    difference = rng.choice((0, 0, 1, -1, 5 * SECOND, -3 * SECOND, 20 * SECOND, 60 * SECOND))
    fields: dict[str, Any] = {"meter_h": max(0, expected + difference) / (3600 * SECOND)}
    reason = rng.choice((None, None, "reading", "moved", "replaced", "corrected", "corrected"))
    return "hours", fields if reason is None else {**fields, "reason": reason}


EVENT_MAKERS: Final[tuple[Maker, ...]] = (
    _plain("inspection"),
    _plain("inspection", bore_mm=120.5),
    _plain("service"),
    _plain("check", result="ok"),
    _plain("check", result="defect"),
    _plain("storage", state="in"),
    _plain("storage", state="in"),
    _plain("storage", state="out"),
    _signed,
    _signed,
    _signed,
    *(5 * (_hours,)),
)


@made_once
def maintenance_stream(seed: int) -> Stream:
    """Return the recording of a seed: one hammer, without corrections."""
    rng = random.Random(f"days {seed}")
    settings = random_settings(rng)
    rows = write_rows(rng, rng.randint(10, 90))
    end = rows[-1].time_ns
    found = maintenance.find(rows, [], end, **settings)
    if found and rng.random() < 0.4:
        end = rng.choice(found).onset + rng.choice((0, 0, 1, -1))
        rows = [row for row in rows if row.time_ns < end] + [Row(end, {})]
    events = random_events(rng, "HB-01", rows, end, settings)
    return Stream({"HB-01": rows}, {"HB-01": events}, {"upkeep": settings}, end)


KINDS: Final = ("grease", "check", "inspection", "service", "storage", "hours")


class Correction(NamedTuple):
    """A wrong entry, and its correction: a withdrawal, or an entry of the same kind."""

    wrong: Event
    right: Event


def random_fields(rng: random.Random, kind: str) -> dict[str, Any]:
    if kind == "grease":
        return {"strokes": rng.choice(([12, 12], [1, 12], [15], [2]))}
    if kind == "check":
        return {"result": rng.choice(("ok", "defect"))}
    if kind == "storage":
        return {"state": rng.choice(("in", "in", "out"))}
    if kind == "hours":
        reason = rng.choice(("reading", "moved", "replaced", "corrected"))
        return {"meter_h": rng.choice((0.0, 0.002, 0.01, 0.02, 5.0)), "reason": reason}
    return {}


def entry(kind: str, time: int, at: int, fields: dict[str, Any], hammer: str) -> Event:
    return Event(SITE, hammer, kind, time, fields, at if time < at else -1)


def correction(
    rng: random.Random, hammer: str, rows: Sequence[Row], events: Sequence[Event], end: int
) -> Correction | None:
    """Return a correction within these rows, at instants without another event; None if there is no room.

    It comes soon or long after the wrong entry. The replacement happened before that entry took effect, or later.
    """
    taken = {event.effective for event in events} | {event.time for event in events}
    first = rows[0].time_ns if rows else end
    if end - first < 10:
        return None

    def instant(low: int) -> int:
        at = rng.choice((rng.choice(rows).time_ns + rng.choice((-1, 0, 0, 1)), rng.randrange(low, end)))
        return min(max(at, low), end)

    at, later = sorted((instant(first + 1), instant(first + 1)))
    if rng.random() < 0.3:
        later = min(end, at + rng.choice((1, SECOND, 5 * SECOND)))
    if at in taken or later in taken or later <= at:
        return None
    kind = rng.choice(KINDS)
    late = rng.choice((0, 0, 0, 1, 3 * SECOND, 70 * SECOND))
    wrong = entry(kind, at - late, at, random_fields(rng, kind), hammer)
    corrects = {"corrects": reference_to(wrong)}
    if rng.random() < 0.4:
        return Correction(wrong, Event(SITE, hammer, "withdrawal", later, corrects))
    happened = rng.choice((wrong.time, wrong.time - 2 * SECOND, wrong.time - 1, (at + later) // 2, later))
    right = entry(kind, min(happened, later), later, {**random_fields(rng, kind), **corrects}, hammer)
    return Correction(wrong, right)


@made_once
def corrected_stream(seed: int) -> Stream:
    """Return the recording of a seed, with up to three corrections for each hammer."""
    rng = random.Random(f"corrected {seed}")
    stream = (maintenance_stream, boundary_stream)[seed % 2](seed)
    events = {}
    for hammer, rows in stream.rows.items():
        own = list(stream.events[hammer])
        for _ in range(rng.choice((1, 2, 3))):
            wrong_and_right = correction(rng, hammer, rows, own, stream.end) if rows else None
            if wrong_and_right is not None:
                own += wrong_and_right
        events[hammer] = sorted(own, key=lambda event: event.effective)
    return replace(stream, events=events)
