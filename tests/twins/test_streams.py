"""The nasty streams are worth running: they meet every rule often and at its edges, and repeat."""

from collections import Counter

from tests.twins import FAULTS, MISUSE, find_all
from tests.twins.rich import rich
from tests.twins.streams import columns, nasty

BARE = [fault for fault in FAULTS if fault not in MISUSE]
"""Those that a feed without richer channels can show."""


def test_the_streams_meet_every_rule_often_and_at_its_edges() -> None:
    """In 40 streams: each fault many times, cleared and not, with and without a person, and at ties."""
    found: Counter[str] = Counter()
    ties: Counter[str] = Counter()
    states: set[tuple[str, str, bool, bool]] = set()
    for seed in range(40):
        stream = nasty(seed)
        assert sum(len(rows) for rows in stream.rows.values()) <= 401
        for hammer, rows in stream.rows.items():
            for record in find_all(rows, stream.events[hammer], stream.end, stream.settings):
                found[record.fault] += 1
                ties[record.fault] += record.onset == record.cleared
                states.add((record.fault, record.priority, record.cleared is None, record.operator is None))
    assert min(found[fault] for fault in BARE) >= 20, found
    for fault in ("same_spot", "cold_oil", "grease_due", "grease_overdue", "signal_lost", "sensor_fault"):
        assert ties[fault] >= 2, ties
    for fault in BARE:
        assert {(still, nobody) for name, _, still, nobody in states if name == fault} == {
            (False, False),
            (False, True),
            (True, False),
            (True, True),
        }, fault
    for fault in ("same_spot", "hot_oil", "grease_overdue"):
        assert {priority for name, priority, _, _ in states if name == fault} == {"medium", "high"}


def test_the_rich_streams_meet_the_misuse_faults_alone_and_together() -> None:
    found: Counter[str] = Counter()
    ties: Counter[str] = Counter()
    states: set[tuple[str, bool]] = set()
    for seed in range(60):
        stream = rich(seed)
        for hammer, rows in stream.rows.items():
            for record in find_all(rows, stream.events[hammer], stream.end, stream.settings):
                found[record.evidence.get("causes", record.fault)] += 1
                ties[record.fault] += record.onset == record.cleared
                states.add((record.fault, record.cleared is None))
    together = ("end_of_stroke over_side", "end_of_stroke off_square", "over_side off_square")
    for fault in (*MISUSE, *together, "end_of_stroke over_side off_square"):
        assert found[fault] >= 5, found
    for fault in MISUSE:
        assert ties[fault] >= 2, ties
        assert {(fault, False), (fault, True)} <= states


def test_a_stream_is_the_same_for_the_same_seed_and_reads_as_columns() -> None:
    one, other = nasty(7), nasty(7)
    assert repr(one) == repr(other) != repr(nasty(8))
    for rows in one.rows.values():
        table = columns(rows)
        assert table.time_ns.tolist() == [r.time_ns for r in rows]
        assert all(len(column) == len(rows) for column in table.columns.values())
