"""Streams for upkeep: seeded recordings in which seconds stand for hours and days, full of ties.

Rows lie on a grid of whole seconds, as limits do, now and then a nanosecond beside it. Events come at rows, between
them, where something falls due, and late: told of long after they happened.
"""

import random
from collections.abc import Callable
from itertools import pairwise
from typing import Any, Final

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, parse, seconds
from tests.twins import upkeep
from tests.twins.knowledge import Row, admitted, firing, samples, working
from tests.twins.streams import SITE, Stream

MORNING: Final = parse("2026-03-04T07:00:00Z")
HOUR, DAY = 1 / 3600, 1 / 86_400
"""One second in hours and in days."""
BREAK_S: Final = 40
IDLE_S: Final = 150


def drawn(dice: random.Random) -> dict[str, Any]:
    inspection = dice.choice(((45, 50, 60), (20, 30, 35), (30, 30, 60), (10, 50, 50)))
    service = dice.choice(((95, 100, 110), (55, 60, 60)))
    passed = dice.choice(((100, 120, 140), (60, 70, 80), (1000, 2000, 3000), (50, 50, 51)))
    return {
        "inspection_h": tuple(s * HOUR for s in inspection),
        "inspection_days": tuple(s * DAY for s in passed),
        "service_h": tuple(s * HOUR for s in service),
        "service_days": tuple(s * DAY for s in dice.choice(((200, 210, 220), (3000, 3001, 3002)))),
        "break_h": dice.choice((BREAK_S, BREAK_S, 15)) * HOUR,
        "check_ahead_s": dice.choice((0.0, 10.0, 30.0)),
        "storage_days": dice.choice((IDLE_S, 60)) * DAY,
    }


def written(dice: random.Random, budget: int) -> list[Row]:
    """What a feed carries it carries from its first row on."""
    has_engine, now, off_grid = dice.random() < 0.5, MORNING, 0
    usual = dice.choice(((1, 2, 5), (5, 5, 10), (9, 10, 11)))
    rpm, fires = 1500.0, dice.random() < 0.5
    rows: list[Row] = []
    while len(rows) < budget:
        fires = dice.random() < (0.7 if fires else 0.2)
        values = {"active": float(fires)}
        if has_engine and (not rows or dice.random() < 0.6):
            rpm = dice.choice((1500.0, 1500.0, 1500.0, 400.0, 401.0, 0.0))
            values["engine_rpm"] = rpm
        rows.append(Row(now, {} if rows and dice.random() < 0.05 else values))
        now -= off_grid
        off_grid = dice.choice((1, -1)) if dice.random() < 0.1 else 0
        now += _step(dice, usual) * SECOND + off_grid
    return rows


def _step(dice: random.Random, usual: tuple[int, ...]) -> int:
    kind = dice.random()
    if kind < 0.93:
        return dice.choice(usual)
    if kind < 0.98:
        return dice.choice((10, 11, 15, 20, BREAK_S, BREAK_S + 1))
    return dice.choice((60, 62, IDLE_S, IDLE_S + 2, 900, 3 * 86_400))


def told(dice: random.Random, name: str, rows: list[Row], end: int, settings: dict[str, Any]) -> list[Event]:
    """Events, most of them aimed at what is found so far."""
    bouts = firing(admitted(rows))
    edges = [at for bout in bouts for at in bout]
    events: list[Event] = []
    if dice.random() < 0.7:
        # Checked once, so that a check can be missed.
        events.append(Event(SITE, name, "check", MORNING - 100 * SECOND, {"result": "ok"}))
    idle = seconds(settings["storage_days"] * 86_400)
    last_blows = [end for (_, end), (begin, _) in pairwise(bouts) if begin - end >= idle]
    if last_blows and dice.random() < 0.4:
        # Looked over the moment it stopped, before a long rest.
        events.append(Event(SITE, name, "check", dice.choice(last_blows), {"result": "ok"}))
    rests = _rests(rows, round(settings["break_h"] * 3600) * SECOND)
    if rests and dice.random() < 0.5:
        # The same person before a break and after it, or as it ends.
        instants = (MORNING - 50 * SECOND, *dice.sample(rests, min(len(rests), 2)))
        events += [Event(SITE, name, "sign_on", at, {"operator": "op-11"}) for at in instants]
    for _ in range(dice.randint(0, 12)):
        records = upkeep.find(rows, events, end, **settings)
        due = [at for one in records for at in (one.onset, one.cleared) if at is not None and at <= end]
        kind = dice.random()
        if due and kind < 0.4:
            at = dice.choice(due) + dice.choice((0, 0, 0, 1, -1, SECOND))
        elif edges and kind < 0.5:
            at = dice.choice(edges)
        elif kind < 0.75:
            at = dice.choice(rows).time_ns + dice.choice((0, 0, 1, -1, -10 * SECOND))
        else:
            at = dice.choice(rows).time_ns + dice.randrange(-30, 30) * SECOND // 2
        at = min(at, end)
        if any(event.effective == at for event in events):
            continue
        time = at
        if dice.random() < 0.15:
            time -= dice.choice((1, 5 * SECOND, 30 * SECOND, 65 * SECOND, 200 * SECOND))
        what, fields = dice.choice(KINDS)(dice, rows, events, at)
        events.append(Event(SITE, name, what, time, fields, at if time < at else -1))
        out = at + dice.choice((1, 3 * SECOND, 10 * SECOND))
        if fields.get("state") == "in" and out <= end and dice.random() < 0.4:
            events.append(Event(SITE, name, "storage", out, {"state": "out"}))
    return sorted(events, key=lambda event: event.effective)


def _rests(rows: list[Row], rest_ns: int) -> list[int]:
    """Instants in breaks: as long after the row before as makes a break, a nanosecond beside that, and at the end."""
    return [
        at
        for before, after in pairwise(admitted(rows))
        for at in (*(before.time_ns + rest_ns + hair for hair in (-1, 0, 0, 1)), after.time_ns)
        if rest_ns <= after.time_ns - before.time_ns and at <= after.time_ns
    ]


Made = tuple[str, dict[str, Any]]
Maker = Callable[[random.Random, list[Row], list[Event], int], Made]


def _plain(kind: str, **fields: Any) -> Maker:
    return lambda _dice, _rows, _events, _at: (kind, dict(fields))


def _signed(dice: random.Random, _rows: list[Row], _events: list[Event], _at: int) -> Made:
    if dice.random() < 0.3:
        return "sign_off", {}
    return "sign_on", {"operator": dice.choice(("op-11", "op-11", "op-12"))}


def _hours(dice: random.Random, rows: list[Row], events: list[Event], at: int) -> Made:
    """An entry at what the meter stands at, a little above or below it, far above, or for any reason."""
    clock = upkeep.Clock(rows, working(rows), bool(samples(rows, "engine_rpm")))
    asked = Event(SITE, "", "hours", at, {"meter_h": 0.0, "reason": "corrected"})
    before = [event for event in events if event.effective < at]
    (change,) = (one for one in upkeep.entries(clock, [*before, asked]) if one.event is asked)
    stood = -(change.difference or 0)
    by = dice.choice((0, 0, 1, -1, 5 * SECOND, -3 * SECOND, 20 * SECOND, 60 * SECOND))
    fields: dict[str, Any] = {"meter_h": max(0, stood + by) / (3600 * SECOND)}
    reason = dice.choice((None, None, "reading", "moved", "replaced", "corrected", "corrected"))
    return "hours", fields if reason is None else {**fields, "reason": reason}


KINDS: Final[tuple[Maker, ...]] = (
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


def days(seed: int) -> Stream:
    """One recording of one hammer. The same seed gives the same one."""
    dice = random.Random(f"days {seed}")
    settings = drawn(dice)
    rows = written(dice, dice.randint(10, 90))
    end = rows[-1].time_ns
    found = upkeep.find(rows, [], end, **settings)
    if found and dice.random() < 0.4:
        end = dice.choice(found).onset + dice.choice((0, 0, 1, -1))
        rows = [row for row in rows if row.time_ns < end] + [Row(end, {})]
    events = told(dice, "HB-01", rows, end, settings)
    return Stream({"HB-01": rows}, {"HB-01": events}, {"upkeep": settings}, end)
