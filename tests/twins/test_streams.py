"""The random streams reach every rule often and at its limits, and are reproducible."""

from collections import Counter
from inspect import unwrap

from tests.twins import FAULTS, MISUSE, find_all
from tests.twins.misuse_streams import misuse_stream
from tests.twins.streams import boundary_stream, columns

BASIC_FAULTS = [fault for fault in FAULTS if fault not in MISUSE]
"""Faults that a feed without richer channels can show."""


def test_the_boundary_streams_reach_every_fault_in_every_state_and_at_ties() -> None:
    """In 40 streams: each fault many times, cleared and not, with and without an operator, and at ties."""
    found: Counter[str] = Counter()
    ties: Counter[str] = Counter()
    states: set[tuple[str, str, bool, bool]] = set()
    for seed in range(40):
        stream = boundary_stream(seed)
        assert sum(len(rows) for rows in stream.rows.values()) <= 401
        for hammer, rows in stream.rows.items():
            for record in find_all(rows, stream.events[hammer], stream.end, stream.settings):
                found[record.fault] += 1
                ties[record.fault] += record.onset == record.cleared
                states.add((record.fault, record.priority, record.cleared is None, record.operator is None))
    assert min(found[fault] for fault in BASIC_FAULTS) >= 20, found
    for fault in ("same_spot", "cold_oil", "grease_due", "grease_overdue", "signal_lost", "sensor_fault"):
        assert ties[fault] >= 2, ties
    for fault in BASIC_FAULTS:
        assert {(active, unassigned) for name, _, active, unassigned in states if name == fault} == {
            (False, False),
            (False, True),
            (True, False),
            (True, True),
        }, fault
    for fault in ("same_spot", "hot_oil", "grease_overdue"):
        assert {priority for name, priority, _, _ in states if name == fault} == {"medium", "high"}


def test_the_misuse_streams_reach_each_fault_alone_and_grouped() -> None:
    found: Counter[str] = Counter()
    ties: Counter[str] = Counter()
    states: set[tuple[str, bool]] = set()
    for seed in range(60):
        stream = misuse_stream(seed)
        for hammer, rows in stream.rows.items():
            for record in find_all(rows, stream.events[hammer], stream.end, stream.settings):
                found[record.evidence.get("causes", record.fault)] += 1
                ties[record.fault] += record.onset == record.cleared
                states.add((record.fault, record.cleared is None))
    grouped = ("end_of_stroke over_side", "end_of_stroke off_square", "over_side off_square")
    for fault in (*MISUSE, *grouped, "end_of_stroke over_side off_square"):
        assert found[fault] >= 5, found
    for fault in MISUSE:
        assert ties[fault] >= 2, ties
        assert {(fault, False), (fault, True)} <= states


def test_a_seed_always_gives_the_same_stream_with_its_columns() -> None:
    first, second = boundary_stream(7), unwrap(boundary_stream)(7)  # made anew
    assert repr(first) == repr(second) != repr(boundary_stream(8))
    for rows in first.rows.values():
        table = columns(rows)
        assert table.time_ns.tolist() == [r.time_ns for r in rows]
        assert all(len(column) == len(rows) for column in table.columns.values())
