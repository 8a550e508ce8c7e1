"""Sparkplug B 3.0: births, aliases, the sequence, deaths, values, bounds, and what survives a restart."""

import importlib
import json
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.errors import Rejected
from strikewatch.sources.decode.sparkplug import LAYOUT, MetricRecord, NodeId, Nodes, Taken, nodes, wire
from strikewatch.sources.decode.sparkplug.wire import read_payload, rebirth_request
from strikewatch.sources.reasons import REASONS
from tests.profiles import examples
from tests.sources.sparkplug import (
    BOOLEAN,
    BYTES,
    DATASET,
    DOUBLE,
    FLOAT,
    INT8,
    INT16,
    INT32,
    INT64,
    STRING,
    T0_MS,
    UINT8,
    UINT32,
    UINT64,
    birth,
    death,
    field,
    metric,
    payload,
    quality,
)

RECEIVED = instant.parse("2026-03-04T07:15:00.250Z")
T0 = T0_MS * 1_000_000
NODE = NodeId("spBv1.0", "Fennick Hollow", "Edge 1")
BREAKER = {"Hammer/On": (True, BOOLEAN), "Hyd/Supply kPa": (14_200.5, DOUBLE), "Hyd/Oil": (-5, INT16)}


def levels(message: str, device: str = "", node: NodeId = NODE) -> list[str]:
    return [node.namespace, node.group, message, node.node, *([device] if device else [])]


class Feed:
    """Sends messages to `Nodes`, each with the next number of the sequence."""

    def __init__(self, requests_births: bool = True) -> None:
        self.nodes = Nodes(requests_births)
        self.seq = -1
        self.received = RECEIVED

    def send(self, message: str, data: bytes, device: str = "") -> Taken:
        self.received += 1
        return self.nodes.take(levels(message, device), data, self.received)

    def next(self) -> int:
        self.seq = (self.seq + 1) % 256
        return self.seq

    def born(self, bd_seq: int = 0) -> "Feed":
        """Send the births of a node and of `Breaker 2`, whose aliases are 10, 11 and 12."""
        self.seq = 0
        self.send("NBIRTH", birth({"Cabinet": (21.5, FLOAT)}, 0, bd_seq=bd_seq, aliases=1))
        self.send("DBIRTH", birth(BREAKER, self.next(), aliases=10), "Breaker 2")
        return self

    def data(self, *metrics: bytes, device: str = "Breaker 2", time_ms: int | None = T0_MS) -> Taken:
        return self.send("DDATA", payload(metrics, self.next(), time_ms), device)


def values(found: Taken) -> dict[str, Any]:
    return {record.name: record.value for record in found.records}


def reasons(found: Taken) -> list[str]:
    assert all(error.reason in REASONS and len(error.detail) < 400 for error in found.rejected)
    return [error.reason for error in found.rejected]


# The examples of the specification


EXAMPLES: list[tuple[str, str, list[tuple[str, int, Any]], int | None]] = [
    (
        "NBIRTH",
        "",
        [
            ("bdSeq", INT64, 0),
            ("Node Control/Reboot", BOOLEAN, False),
            ("Node Control/Rebirth", BOOLEAN, False),
            ("Node Control/Next Server", BOOLEAN, False),
            ("Node Control/Scan Rate", INT64, 3000),
            ("Supply Voltage (V)", FLOAT, 12.1),
        ],
        0,
    ),
    (
        "DBIRTH",
        "device",
        [
            ("Inputs/A", BOOLEAN, False),
            ("Inputs/B", BOOLEAN, False),
            ("Inputs/C", BOOLEAN, False),
            ("Outputs/E", BOOLEAN, False),
        ],
        1,
    ),
    ("NDATA", "", [("Supply Voltage (V)", FLOAT, 12.3)], 2),
    ("DDATA", "device", [("Inputs/A", BOOLEAN, True), ("Inputs/C", BOOLEAN, True)], 3),
    ("DDEATH", "device", [], 4),
    ("NDEATH", "", [("bdSeq", UINT64, 0)], None),
]
"""Sparkplug 3.0.0, sections 6.4.20 to 6.4.26: message, device, (name, data type, value), seq. The numbers are put in
order, and the makes of equipment left out."""
EXAMPLE_MS = 1_486_144_502_122


def test_the_examples_of_the_specification_are_taken() -> None:
    """Source: Sparkplug 3.0.0 section 6.4. Each metric comes with its value; deaths end those that were known."""
    known = Nodes()
    for message, device, metrics, seq in EXAMPLES:
        data = payload(
            [metric(value, kind, name=name, time_ms=EXAMPLE_MS) for name, kind, value in metrics],
            seq,
            EXAMPLE_MS,
        )
        found = known.take(levels(message, device), data, RECEIVED)
        assert not found.rejected
        assert not found.requests
        if message.endswith("DEATH"):
            continue
        assert values(found) == {name: pytest.approx(value, abs=1e-6) for name, _, value in metrics}
        assert {record.time_ns for record in found.records} == {EXAMPLE_MS * 1_000_000}


def test_the_request_for_a_birth_is_the_example_of_the_specification() -> None:
    """Source: Sparkplug 3.0.0 section 6.4.23: by name, Boolean, without a number of the sequence."""
    expected = payload(
        [metric(True, BOOLEAN, name="Node Control/Rebirth", time_ms=EXAMPLE_MS)], None, EXAMPLE_MS
    )
    assert rebirth_request(EXAMPLE_MS) == expected
    assert NODE.rebirth(EXAMPLE_MS * 1_000_000 + 999_999) == ("spBv1.0/Fennick Hollow/NCMD/Edge 1", expected)


# Values


@pytest.mark.parametrize(
    ("value", "datatype"),
    [
        *[
            (-128, INT8),
            (127, INT8),
            (-5, INT16),
            (-1, INT32),
            (-(2**31), INT32),
            (-(2**63), INT64),
            (2**63 - 1, INT64),
        ],
        *[
            (255, UINT8),
            (2**32 - 1, UINT32),
            (2**64 - 1, UINT64),
            (1.5, FLOAT),
            (-142.25, DOUBLE),
            (True, BOOLEAN),
        ],
        *[(False, BOOLEAN), ("ON", STRING), ("", STRING)],
    ],
)
def test_values_of_each_datatype_are_read(value: Any, datatype: int) -> None:
    """Source: Sparkplug 3.0.0 section 6.4.16. By alias alone, with the datatype that the birth gave."""
    feed = Feed()
    feed.send("NBIRTH", birth({"x": (value, datatype)}, 0, bd_seq=0, aliases=7))
    found = feed.send("NDATA", payload([metric(value, datatype, alias=7, typed=False)], 1))
    assert [(record.name, record.value, type(record.value)) for record in found.records] == [
        ("x", value, type(value))
    ]


def test_small_whole_numbers_may_be_sent_in_their_own_bits() -> None:
    """Some libraries send -5 as an Int8 as 251, others as 4294967291."""
    feed = Feed()
    feed.send("NBIRTH", payload([metric(None, INT8, name="x") + field(10, 251)], 0))
    assert values(feed.send("NDATA", payload([metric(-5, INT8, name="x", typed=False)], 1))) == {"x": -5}


@pytest.mark.parametrize(
    "sent",
    [
        metric(None, DOUBLE, alias=11, null=True),
        metric(14_200.0, DOUBLE, alias=11, null=True),
        metric(None, DOUBLE, alias=11),
        metric(14_200.0, DOUBLE, alias=11, properties=quality(0)),
        metric(14_200.0, DOUBLE, alias=11, properties=quality(500)),
    ],
    ids=["null", "null beside a value", "none", "bad", "stale"],
)
def test_null_stale_and_bad_are_records_without_a_value(sent: bytes) -> None:
    """Source: Sparkplug 3.0.0 sections 6.4.5 (is_null) and 6.4.11 (0 bad, 192 good, 500 stale)."""
    found = Feed().born().data(sent)
    assert found.records == [
        MetricRecord("Fennick Hollow", "Edge 1", "Breaker 2", "Hyd/Supply kPa", None, T0)
    ]


def test_good_quality_and_other_properties_change_nothing() -> None:
    feed = Feed().born()
    assert values(feed.data(metric(1.5, DOUBLE, alias=11, properties=quality(192)))) == {
        "Hyd/Supply kPa": 1.5
    }
    unit_only = field(1, "Unit") + field(2, field(1, STRING) + field(8, "Quality"))
    assert values(feed.data(metric(1.5, DOUBLE, alias=11, properties=unit_only))) == {"Hyd/Supply kPa": 1.5}


def test_historical_values_are_marked_and_counted() -> None:
    found = Feed().born().data(metric(1.5, DOUBLE, alias=11, historical=True, time_ms=T0_MS - 5000))
    assert [(record.is_historical, record.time_ns) for record in found.records] == [(True, T0 - 5 * SECOND)]
    assert found.passed_over["historical"] == 1


def test_data_sets_and_bytes_are_counted_and_not_read() -> None:
    found = Feed().born().data(metric(b"\1\2", DATASET, name="Log"), metric(b"\1", BYTES, name="Raw"))
    assert found.records == []
    assert found.passed_over["data set, template or bytes"] == 2


def test_a_metric_without_a_timestamp_has_that_of_its_payload() -> None:
    feed = Feed().born()
    found = feed.data(metric(1.5, DOUBLE, alias=11, time_ms=None), time_ms=T0_MS + 7)
    assert [record.time_ns for record in found.records] == [T0 + 7_000_000]
    assert reasons(feed.data(metric(1.5, DOUBLE, alias=11, time_ms=None), time_ms=None)) == ["missing"]


def test_a_birth_says_what_is_so_now() -> None:
    """A value that was last changed an hour ago has the time of the birth, not of the change."""
    data = payload([metric(True, BOOLEAN, name="On", time_ms=T0_MS - 3_600_000)], 0, T0_MS)
    assert [record.time_ns for record in Feed().send("NBIRTH", data).records] == [T0]


# Aliases and births


def test_aliases_are_those_of_the_newest_birth_of_the_same_device() -> None:
    feed = Feed().born()
    assert values(feed.data(metric(1.0, DOUBLE, alias=11))) == {"Hyd/Supply kPa": 1.0}
    assert reasons(feed.data(metric(1.0, DOUBLE, alias=1))) == ["no_birth"]  # one of the node itself
    feed.send("DBIRTH", birth({"Other": (2.0, DOUBLE)}, feed.next(), aliases=11), "Breaker 2")
    assert values(feed.data(metric(1.0, DOUBLE, alias=11))) == {"Other": 1.0}
    assert reasons(feed.data(metric(1.0, DOUBLE, alias=10))) == ["no_birth"]


def test_a_birth_of_the_node_voids_those_of_its_devices() -> None:
    """Source: Sparkplug 3.0.0 section 6.4.19: after an NBIRTH all devices must be born again."""
    feed = Feed().born()
    feed.send("NBIRTH", birth({"Cabinet": (21.5, FLOAT)}, 0, bd_seq=0, aliases=1))
    feed.seq = 0
    found = feed.data(metric(1.0, DOUBLE, alias=11))
    assert reasons(found) == ["no_birth"]
    assert found.records == []


def test_an_alias_given_twice_is_not_used() -> None:
    feed = Feed()
    found = feed.send("NBIRTH", payload([metric(1.0, name="a", alias=5), metric(2.0, name="b", alias=5)], 0))
    assert reasons(found) == ["duplicate_key"]
    assert values(found) == {"a": 1.0, "b": 2.0}
    assert reasons(feed.send("NDATA", payload([metric(3.0, alias=5)], 1))) == ["no_birth"]


@pytest.mark.parametrize(
    ("sent", "value"),
    [
        (metric(1.5, DOUBLE, name="x", typed=False), {"x": 1.5}),
        (metric(True, BOOLEAN, name="x", typed=False), {"x": True}),
        (metric(-5, INT32, name="x"), {"x": -5}),
        (metric(-5, INT32, name="x", typed=False), {}),  # 4294967291, or -5
        (metric(1.5, DOUBLE, alias=3), {}),
    ],
)
def test_without_a_birth_what_is_beyond_doubt_is_used(sent: bytes, value: dict[str, Any]) -> None:
    """A node heard for the first time: its births are asked for, and names with sure values are used before."""
    found = Feed().send("NDATA", payload([sent], 5))
    assert values(found) == value
    assert found.requests == [NODE]


# The sequence, and requests for births


@given(st.lists(st.integers(0, 600).map(lambda n: n if n < 300 else 1), max_size=30), st.booleans())
def test_every_gap_is_found_and_no_other(steps: list[int], requests: bool) -> None:
    """Steps between numbers of the sequence, modulo 256: 1 is right, 0 a repetition, anything else a gap."""
    feed = Feed(requests).born()
    certain = True
    for step in steps:
        feed.seq = (feed.seq + step - 1) % 256
        found = feed.data(metric(1.5, DOUBLE, alias=11))
        gap = step % 256 not in (0, 1)
        certain = certain and not gap
        assert found.passed_over["gap in the sequence"] == gap
        assert values(found) == ({"Hyd/Supply kPa": 1.5} if certain or not requests else {})
        assert bool(reasons(found)) == (not certain and requests)


@given(st.integers(0, 2**32), st.integers(0, 50), st.integers(1, 8))
def test_messages_that_are_put_back_give_the_same_again(seed: int, first: int, count: int) -> None:
    """A step may have no room for a hammer's rows: its messages are then taken again, after others of the node."""
    once, again = Nodes(), Nodes()
    done: list[tuple[list[str], bytes, int, list[MetricRecord]]] = []
    for number, (topic, data) in enumerate(script(random.Random(seed))):
        received = RECEIVED + number // 4 * SECOND  # several are received at once
        expected = once.take(topic, data, received)
        assert again.take(topic, data, received).records == expected.records
        done.append((topic, data, received, expected.records))
        if number == first + count:
            for earlier_topic, earlier, at, records in done[first:]:
                assert again.take(earlier_topic, earlier, at) == Taken(records, [], [], Counter())
    assert again.take_changes() == once.take_changes()


def test_what_is_remembered_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(nodes, "_RECENT_RECORDS", 10)
    feed = Feed().born()
    for _ in range(30):
        feed.data(metric(1.5, DOUBLE, alias=11))
    assert sum(map(len, feed.nodes._recent.values())) == feed.nodes._recent_records == 10
    feed.send("NBIRTH", birth({f"x{number}": (1.0, FLOAT) for number in range(11)}, 0))
    assert feed.nodes._recent == {}


def test_after_a_gap_names_are_used_and_aliases_once_the_births_have_come() -> None:
    """A birth may be among what is lost, and may have given the alias to another metric."""
    feed = Feed().born()
    feed.next()
    found = feed.data(metric(1.5, DOUBLE, alias=11), metric(True, BOOLEAN, name="Hammer/On", typed=False))
    assert values(found) == {"Hammer/On": True}
    assert found.requests == [NODE]
    feed.born()
    assert values(feed.data(metric(1.5, DOUBLE, alias=11))) == {"Hyd/Supply kPa": 1.5}


def requested(feed: Feed, seconds: list[float]) -> list[bool]:
    asked = []
    for second in seconds:
        feed.received = RECEIVED + round(second * SECOND)
        asked.append(bool(feed.data(metric(1.5, DOUBLE, alias=99)).requests))
    return asked


def test_births_are_requested_at_most_every_10_s_and_less_and_less() -> None:
    feed = Feed().born()
    times = [0, 1, 9.9, 10, 20, 29.9, 30, 60, 69.9, 70]
    assert requested(feed, times) == [True, False, False, True, False, False, True, False, False, True]


def test_a_birth_ends_the_backing_off_but_not_the_shortest_wait() -> None:
    feed = Feed().born()
    assert requested(feed, [0, 10, 30]) == [True, True, True]
    feed.born()
    assert requested(feed, [35, 40, 49, 50.1]) == [False, True, False, False]


def test_a_clock_set_back_does_not_silence_requests() -> None:
    feed = Feed().born()
    assert requested(feed, [0, -3600]) == [True, True]


def test_no_births_are_requested_if_the_source_does_not_want_it() -> None:
    feed = Feed(requests_births=False).born()
    feed.next()
    found = feed.data(metric(1.5, DOUBLE, alias=11), metric(1.5, DOUBLE, alias=99))
    assert found.requests == []
    assert values(found) == {"Hyd/Supply kPa": 1.5}
    assert "publish its births again" in found.rejected[0].detail


# Deaths


def ended(found: Taken) -> set[tuple[str, str, int]]:
    assert all(record.value is None for record in found.records)
    return {(record.device, record.name, record.time_ns) for record in found.records}


def test_a_death_of_the_node_ends_all_values_by_its_own_clock() -> None:
    """Its timestamp is that of the connection; the node's clock is 250 ms behind the receiver's."""
    feed = Feed().born(bd_seq=3)
    feed.received += 60 * SECOND
    at = T0 + 60 * SECOND + 2
    metrics = [("", "bdSeq"), ("", "Cabinet"), *[("Breaker 2", name) for name in BREAKER]]
    assert ended(feed.send("NDEATH", death(3))) == {(*each, at) for each in metrics}
    assert feed.send("NDEATH", death(3)).records == []
    assert reasons(feed.data(metric(1.5, DOUBLE, alias=11))) == ["no_birth"]


def test_a_death_never_falls_on_the_instant_of_a_value() -> None:
    """Of two values of one channel at one instant the second would be dropped as a duplicate."""
    feed = Feed().born()
    value = feed.data(metric(1.5, DOUBLE, alias=11)).records[0]
    feed.received -= 1  # received together
    assert {time > value.time_ns for _, _, time in ended(feed.send("NDEATH", death(0)))} == {True}


def test_a_death_of_an_earlier_session_changes_nothing() -> None:
    """Source: Sparkplug 3.0.0 section 6.4.27: a death counts if its bdSeq is that of the birth."""
    feed = Feed().born(bd_seq=4)
    found = feed.send("NDEATH", death(3))
    assert found.records == []
    assert found.passed_over["death of an earlier session"] == 1
    assert values(feed.data(metric(1.5, DOUBLE, alias=11))) == {"Hyd/Supply kPa": 1.5}


def test_a_death_of_a_device_ends_its_own_values() -> None:
    feed = Feed().born()
    found = feed.send("DDEATH", payload((), feed.next(), T0_MS + 1000), "Breaker 2")
    assert ended(found) == {("Breaker 2", name, T0 + SECOND + 1) for name in BREAKER}
    assert values(feed.send("NDATA", payload([metric(22.0, alias=1)], feed.next()))) == {"Cabinet": 22.0}


def test_a_new_session_without_a_death_ends_what_was_before_it() -> None:
    """Just before the birth, so that its values count. A birth on request, in the same session, ends nothing."""
    feed = Feed().born(bd_seq=1)
    again = feed.send("NBIRTH", birth({"Cabinet": (21.5, FLOAT)}, 0, bd_seq=1))
    assert values(again) == {"bdSeq": 1, "Cabinet": 21.5}
    feed.born(bd_seq=1)
    found = feed.send("NBIRTH", birth({"Cabinet": (21.5, FLOAT)}, 0, bd_seq=2))
    assert [record.time_ns for record in found.records if record.value is None] == [T0 - 1] * 5
    assert values(found)["Cabinet"] == 21.5


# Topics


@pytest.mark.parametrize(
    "topic",
    ["spBv1.0/g/NCMD/n", "spBv1.0/g/DCMD/n/d", "spBv1.0/STATE/host"],
)
def test_commands_and_states_are_passed_over(topic: str) -> None:
    assert Nodes().take(topic.split("/"), b"\xff", RECEIVED).passed_over == {"command": 1}


@pytest.mark.parametrize(
    "topic",
    [
        "", "spBv1.0", "spBv1.0/g/NDATA", "spBv1.0/g/NDATA/n/d", "spBv1.0/g/DDATA/n", "spBv1.0/g/DDATA/n/d/x",
        "spBv1.0/g/DATA/n", "spBv1.0//NDATA/n", "spBv1.0/g/DDATA/n/", "spBv1.0/g/NDATA/" + "n" * 513,
    ],
)  # fmt: skip
def test_other_topics_are_refused(topic: str) -> None:
    with pytest.raises(Rejected) as refused:
        Nodes().take(topic.split("/"), payload((), 0), RECEIVED)
    assert refused.value.reason == "topic"


# Restart


def carried(known: Nodes, saved: dict[NodeId, tuple[str, str]]) -> Nodes:
    """Save what has changed as the store does, and return what a restart restores."""
    changed, removed = known.take_changes()
    for each in removed:
        del saved[each]
    for node_id, births, position in changed:
        saved[node_id] = (saved[node_id][0] if births is None else births, position)
    restored = Nodes()
    for node_id, (births, position) in saved.items():
        restored.restore(node_id, LAYOUT, births, position)
    return restored


def script(rng: random.Random) -> Iterator[tuple[list[str], bytes]]:
    """Messages of two nodes with two devices: births, data, deaths, gaps and restarts, valid or not."""
    seq = {"n1": 0, "n2": 0}
    for _ in range(60):
        node, device = rng.choice(list(seq)), rng.choice(["d1", "d2"])
        message = rng.choice(
            ["NBIRTH", "DBIRTH", "DBIRTH", "NDATA", "DDATA", "DDATA", "DDATA", "DDEATH", "NDEATH"]
        )
        seq[node] = 0 if message == "NBIRTH" else (seq[node] + rng.choice([1] * 12 + [0, 2, 7])) % 256
        time_ms = T0_MS + rng.randrange(10_000)
        names = rng.sample(["a", "b", "c", "d"], rng.randrange(5))
        if message.endswith("BIRTH"):
            data = birth(
                {name: (rng.random(), DOUBLE) for name in names},
                seq[node],
                bd_seq=rng.randrange(2) if message == "NBIRTH" else None,
                aliases=rng.choice([None, 1, 1, 3]),
                time_ms=time_ms,
            )
        elif message == "NDEATH":
            data = death(rng.randrange(2))
        else:
            metrics = [
                metric(rng.random(), DOUBLE, alias=rng.randrange(1, 7), time_ms=time_ms) for _ in names
            ]
            data = payload(metrics, seq[node], time_ms)
        yield levels(message, device if message[0] == "D" else "", NodeId("spBv1.0", "g", node)), data


@settings(max_examples=examples(30))
@given(st.integers(0, 2**32), st.sets(st.integers(0, 59)))
def test_a_restart_between_any_messages_changes_no_record(seed: int, restarts: set[int]) -> None:
    """All records, rejects and counts are those of a run without restarts; only the times of requests may differ."""
    steady, restarted, saved = Nodes(), Nodes(), dict[NodeId, tuple[str, str]]()
    for number, (topic, data) in enumerate(script(random.Random(seed))):
        received = RECEIVED + number * SECOND
        expected, found = steady.take(topic, data, received), restarted.take(topic, data, received)
        assert found.records == expected.records
        assert [str(error) for error in found.rejected] == [str(error) for error in expected.rejected]
        assert found.passed_over == expected.passed_over
        if number in restarts:
            restarted = carried(restarted, saved)
        else:
            carried(restarted, saved)


def test_births_are_saved_only_when_they_change() -> None:
    feed = Feed().born()
    ((_, births, position),), removed = feed.nodes.take_changes()
    assert births is not None
    assert json.loads(births)["Breaker 2"][1] == ["Hyd/Supply kPa", DOUBLE, 11]
    assert json.loads(position) == {
        "alive": True,
        "bd_seq": 0,
        "seq": 1,
        "certain": True,
        "behind_ns": 250_000_002,
    }
    assert removed == []
    assert feed.nodes.take_changes() == ([], [])
    feed.data(metric(1.5, DOUBLE, alias=11))
    ((_, births, position),), _ = feed.nodes.take_changes()
    assert births is None
    assert json.loads(position)["seq"] == 2


def test_a_state_of_another_layout_is_left_out() -> None:
    known = Nodes()
    known.restore(NODE, "sparkplug/9", "{}", "{}")
    assert len(known) == 0


# Bounds


def test_the_number_of_metrics_is_bounded_and_a_refused_birth_changes_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(nodes, "MAX_METRICS", 6)
    feed = Feed().born()
    with pytest.raises(Rejected) as refused:
        feed.send("DBIRTH", birth({f"x{n}": (1.0, FLOAT) for n in range(3)}, 2), "Breaker 3")
    assert refused.value.reason == "too_many_metrics"
    assert values(feed.data(metric(1.5, DOUBLE, alias=11))) == {"Hyd/Supply kPa": 1.5}
    feed.send("DBIRTH", birth(BREAKER, feed.next()), "Breaker 2")  # in place of the one before
    feed.born()
    monkeypatch.setattr(nodes, "MAX_ALL_METRICS", 6)
    other = levels("NBIRTH", node=NodeId("spBv1.0", "g", "n"))
    with pytest.raises(Rejected):
        feed.nodes.take(other, birth({"a": (1.0, FLOAT), "b": (1.0, FLOAT)}, 0), RECEIVED)
    feed.send("NDEATH", death(0))
    feed.nodes.take(other, birth({"a": (1.0, FLOAT), "b": (1.0, FLOAT)}, 0), RECEIVED)


def test_nodes_that_are_not_alive_make_room(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(nodes, "MAX_NODES", 2)
    known = Nodes()
    names = [NodeId("spBv1.0", "g", f"n{number}") for number in range(4)]
    known.take(levels("NBIRTH", node=names[0]), birth({}, 0, bd_seq=0), RECEIVED)
    known.take(levels("NDATA", node=names[1]), payload((), 0), RECEIVED)
    known.take_changes()
    known.take(levels("NBIRTH", node=names[2]), birth({}, 0, bd_seq=0), RECEIVED)
    assert known.take_changes()[1] == [names[1]]
    with pytest.raises(Rejected) as refused:
        known.take(levels("NBIRTH", node=names[3]), birth({}, 0, bd_seq=0), RECEIVED)
    assert refused.value.reason == "too_many_metrics"
    assert len(known) == 2


def test_a_payload_of_many_empty_metrics_is_refused_before_it_is_built(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(wire, "MAX_ROWS", 1000)
    assert len(read_payload(b"\x12\x00" * 1000).metrics) == 1000
    monkeypatch.setattr(wire, "_parsed", None)
    with pytest.raises(Rejected, match="too_large: payload: more than 1000 metrics"):
        read_payload(field(1, T0_MS) + b"\x12\x00" * 1001)


@pytest.mark.parametrize(
    "broken",
    [
        b"\x08",
        b"\x12\x7f",
        b"\x0b",
        b"\x00\x00",
        b"\xff" * 20,
        field(2, field(1, b"\xff")),
        field(2, field(1, "x") + field(15, b"\xff")),
        field(2, field(1, "x") + field(9, b"\x0a\x07Quality\x12\x7f") + field(10, 1)),
        b'{"timestamp":1486144502122,"metrics":[]}',
    ],
)
def test_broken_payloads_are_refused(broken: bytes) -> None:
    with pytest.raises(Rejected) as refused:
        read_payload(broken)
    assert refused.value.reason == "not_sparkplug"


def test_the_library_is_loaded_only_where_it_is_used() -> None:
    """Loading `protobuf` takes a tenth of a second of every start."""
    code = "import sys, strikewatch.sources.decode.sparkplug; sys.exit('google.protobuf' in sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)
    assert importlib.import_module("google.protobuf")
