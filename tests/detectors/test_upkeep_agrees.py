"""Upkeep equals a slow reading of it, to the nanosecond, on nasty streams in which seconds stand for hours and days."""

import os
from collections import Counter
from collections.abc import Callable

import pytest

from strikewatch.core import instant
from tests.detectors.recorded import alerts, faults_of, replayed
from tests.twins import upkeep
from tests.twins.days import days
from tests.twins.knowledge import admitted
from tests.twins.rich import rich
from tests.twins.streams import Stream, columns

SEEDS = int(os.environ.get("STRIKEWATCH_SEEDS", "300"))
BLOCK = 50

Found = dict[tuple[str, int, str], tuple[int | None, str, str | None]]


def by_core(stream: Stream) -> Found:
    rows = {hammer: columns(admitted(one)) for hammer, one in stream.rows.items()}
    return {
        (a.hammer, a.onset, a.fault): (a.cleared, a.priority, a.operator)
        for a in alerts(rows, stream.events, faults_of(stream.settings), stream.end)
        if a.fault in upkeep.FAULTS
    }


def by_twin(stream: Stream) -> Found:
    return {
        (hammer, r.onset, r.fault): (r.cleared, r.priority, r.operator)
        for hammer, rows in stream.rows.items()
        for r in upkeep.find(rows, stream.events[hammer], stream.end, **stream.settings["upkeep"])
    }


@pytest.mark.parametrize("first", range(0, SEEDS, BLOCK))
def test_core_finds_what_a_slow_reading_finds(first: int) -> None:
    for seed in range(first, min(first + BLOCK, SEEDS)):
        stream = days(seed)
        assert by_core(stream) == by_twin(stream), f"seed {seed}"


@pytest.mark.parametrize("made", [days, rich])
def test_a_replay_finds_the_same(made: Callable[[int], Stream]) -> None:
    """The way through admission, in pieces, with what a recording can say of its feeds beforehand."""
    for seed in range(12):
        stream = made(seed)
        rows = {hammer: columns(admitted(one)) for hammer, one in stream.rows.items()}
        faults = faults_of(stream.settings)
        records = replayed(rows, stream.events, faults).records
        assert {(r["hammer"], r["fault"], r["onset"], r["cleared"]) for r in records} == {
            (a.hammer, a.fault, instant.text(a.onset), a.cleared and instant.text(a.cleared))
            for a in alerts(rows, stream.events, faults, stream.end)
        }, f"seed {seed}"


def test_the_streams_meet_every_rule() -> None:
    """Each fault many times, cleared and not, and events told of late among what makes them."""
    found: Counter[str] = Counter()
    states: set[tuple[str, bool]] = set()
    late = 0
    for seed in range(150):
        stream = days(seed)
        late += sum(event.applied > event.time for own in stream.events.values() for event in own)
        for (_, _, fault), (cleared, *_) in by_twin(stream).items():
            found[fault] += 1
            states.add((fault, cleared is None))
    assert all(found[fault] >= 10 for fault in upkeep.FAULTS), found
    assert states == {(fault, still) for fault in upkeep.FAULTS for still in (False, True)}
    assert late >= 50
