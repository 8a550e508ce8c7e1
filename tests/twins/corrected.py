"""Streams in which some entries turn out to have been wrong: those of `days` and `streams`, with corrections.

A wrong entry is of any kind that sets a clock. It is corrected a moment or long after: withdrawn, or replaced by what
happened before it took effect, or by what happened later.
"""

import random
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final, NamedTuple

from strikewatch.core.events import Event, reference_to
from strikewatch.core.instant import SECOND
from tests.twins.days import days
from tests.twins.knowledge import Row
from tests.twins.streams import SITE, Stream, nasty

KINDS: Final = ("grease", "check", "inspection", "service", "storage", "hours")


class Correction(NamedTuple):
    """A wrong entry, and what corrects it: a withdrawal, or an entry of the same kind."""

    wrong: Event
    right: Event


def fields_of(dice: random.Random, kind: str) -> dict[str, Any]:
    if kind == "grease":
        return {"strokes": dice.choice(([12, 12], [1, 12], [15], [2]))}
    if kind == "check":
        return {"result": dice.choice(("ok", "defect"))}
    if kind == "storage":
        return {"state": dice.choice(("in", "in", "out"))}
    if kind == "hours":
        reason = dice.choice(("reading", "moved", "replaced", "corrected"))
        return {"meter_h": dice.choice((0.0, 0.002, 0.01, 0.02, 5.0)), "reason": reason}
    return {}


def entry(kind: str, time: int, at: int, fields: dict[str, Any], hammer: str) -> Event:
    return Event(SITE, hammer, kind, time, fields, at if time < at else -1)


def correction(
    dice: random.Random, hammer: str, rows: Sequence[Row], events: Sequence[Event], end: int
) -> Correction | None:
    """One correction within these rows, at instants of which no other event is; None where there is no room."""
    taken = {event.effective for event in events} | {event.time for event in events}
    first = rows[0].time_ns if rows else end
    if end - first < 10:
        return None

    def instant(low: int) -> int:
        at = dice.choice((dice.choice(rows).time_ns + dice.choice((-1, 0, 0, 1)), dice.randrange(low, end)))
        return min(max(at, low), end)

    at, later = sorted((instant(first + 1), instant(first + 1)))
    if dice.random() < 0.3:
        later = min(end, at + dice.choice((1, SECOND, 5 * SECOND)))
    if at in taken or later in taken or later <= at:
        return None
    kind = dice.choice(KINDS)
    late = dice.choice((0, 0, 0, 1, 3 * SECOND, 70 * SECOND))
    wrong = entry(kind, at - late, at, fields_of(dice, kind), hammer)
    corrects = {"corrects": reference_to(wrong)}
    if dice.random() < 0.4:
        return Correction(wrong, Event(SITE, hammer, "withdrawal", later, corrects))
    happened = dice.choice((wrong.time, wrong.time - 2 * SECOND, wrong.time - 1, (at + later) // 2, later))
    right = entry(kind, min(happened, later), later, {**fields_of(dice, kind), **corrects}, hammer)
    return Correction(wrong, right)


def corrected(seed: int) -> Stream:
    """A recording with up to three corrections to each hammer. The same seed gives the same one."""
    dice = random.Random(f"corrected {seed}")
    stream = (days, nasty)[seed % 2](seed)
    events = {}
    for hammer, rows in stream.rows.items():
        own = list(stream.events[hammer])
        for _ in range(dice.choice((1, 2, 3))):
            one = correction(dice, hammer, rows, own, stream.end) if rows else None
            if one is not None:
                own += one
        events[hammer] = sorted(own, key=lambda event: event.effective)
    return replace(stream, events=events)
