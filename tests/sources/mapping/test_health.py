"""What is counted of each source, and that a sender cannot make the counts grow without bound."""

import json
import tomllib

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.service.intake import Decoder, Intake, Step
from strikewatch.settings.tree import Settings
from strikewatch.sources.mapping import PassedOver, Sources, check_tables
from strikewatch.sources.mapping.sources import MAX_NAMED
from strikewatch.sources.mqtt import Message

NOW = instant.parse("2026-03-04T07:15:30Z")
TABLES = """
[all]
topic = "#"
records = "$[*]"
time = { at = "@.t", as = "s" }
site = "pit"
hammer = "{hammer}"
name = "@.id"
value = "@.v"
[all.channels]
oil_c = { named = "{hammer}.oil" }
[part]
topic = "rtu/HB-{unit}/oil"
payload = "text"
time = "arrival"
site = "pit"
hammer = "HB-{unit}"
name = "oil"
[part.channels]
oil_c = { named = "oil" }
"""


def sources(*names: str) -> Sources:
    tables, problems = check_tables(tomllib.loads(TABLES))
    assert not problems
    return Sources({name: tables[name] for name in names})


def process(found: Sources, topic: str, payload: object, at: int = NOW) -> Step:
    intake = Intake(Settings(), lambda: NOW, lambda: 0, lambda _event: False, 0)
    step = Step(NOW)
    decoder = Decoder(Settings(), intake, sources=found)
    decoder.decode([Message(topic, json.dumps(payload).encode(), at, 1, 1, 1, redelivered=False)], step)
    return step


def test_values_rejects_lateness_and_what_is_passed_over_are_counted() -> None:
    found = sources("all")
    t = NOW // SECOND
    values = [
        {"id": "HB-01.oil", "t": t - 2, "v": 61},
        {"id": "HB-01.oil", "t": t - 1, "v": "x"},
        {"id": "z", "t": t},
    ]
    process(found, "scada/1", values)
    process(found, "scada/1", "no records", NOW + 10 * SECOND)
    [health] = found.report(NOW + 10 * SECOND)
    assert (health.messages, health.values, health.last_heard_ns) == (2, 1, NOW + 10 * SECOND)
    assert health.last_value_ns == NOW
    assert health.lateness_s == 2.0
    assert {reason: each.count for reason, each in health.rejects.items()} == {"bad_value": 1, "no_record": 1}
    assert health.rejects["bad_value"].detail.startswith('all: oil_c: "x" is not a number')
    assert health.passed_over == {PassedOver("name", "z"): 1}
    assert not health.has_no_values


def test_the_rate_is_that_of_the_last_minute() -> None:
    found = sources("all")
    for second in range(200):
        found.report(NOW + second * SECOND)
        for _ in range(2 if second >= 100 else 8):
            process(found, "scada/1", [])
    [health] = found.report(NOW + 200 * SECOND)
    assert 1.9 <= health.rate_per_s <= 2.1


def test_names_passed_over_are_bounded() -> None:
    found = sources("all")
    process(found, "scada/1", [{"id": f"x{k}", "t": 1, "v": 1} for k in range(500)])
    [health] = found.report(NOW)
    assert len(health.passed_over) == MAX_NAMED + 1
    assert sum(health.passed_over.values()) == 500
    assert health.passed_over[PassedOver("name")] == 500 - MAX_NAMED


def test_a_topic_that_the_filter_brings_and_the_pattern_does_not_take_is_passed_over() -> None:
    """The broker knows no patterns inside of a level."""
    found = sources("part")
    assert not process(found, "rtu/pump-3/oil", 1).rejects
    [health] = found.report(NOW)
    assert health.passed_over == {PassedOver("topic", "rtu/pump-3/oil"): 1}
    assert [each.reason for each in process(found, "elsewhere", 1).rejects] == ["no_source"]


def test_the_contracts_own_topics_never_reach_the_mapping() -> None:
    """Not even those that a source's filter covers."""
    found = sources("all")
    step = process(found, "strikewatch/pit/HB-01/samples", {"time_ms": NOW // 1_000_000, "oil_c": 61})
    assert step.rows.keys() == {("pit", "HB-01")}
    assert found.health["all"].messages == 0
    assert [each.reason for each in process(found, "strikewatch/pit/HB-01/samples", 3).rejects] == ["shape"]
    assert found.health["all"].messages == 0


def test_only_values_of_channels_count() -> None:
    """Not the bounds of `hold_s`, nor the blanks of rows that have other channels only."""
    table = """
    [x]
    topic = "x"
    records = "$[*]"
    time = { at = "@.t", as = "s" }
    site = "pit"
    hammer = "HB-01"
    [x.channels]
    oil_c = { at = "@.oil", hold_s = 60.0 }
    pressure_bar = "@.p"
    """
    tables, problems = check_tables(tomllib.loads(table))
    assert not problems
    t = NOW // SECOND
    one = [{"t": t - 3, "oil": 61}]
    two = [{"t": t - 2, "oil": 61}, {"t": t - 1, "p": 140}, {"t": t, "oil": None}]
    found = Sources(tables)
    counts = [found.map("x", json.dumps(records).encode(), NOW).values for records in (one, two)]
    assert counts == [1, 2]
