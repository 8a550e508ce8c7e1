"""Streams without Spark: a shard's micro-batches find what a replay finds, however they are cut and repeated."""

import json
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from sqlalchemy import select

from strikewatch.core.instant import SECOND, exact_text
from strikewatch.demo.shifts import SETTINGS
from strikewatch.errors import StoreError
from strikewatch.fleet.streaming.messages import in_order
from strikewatch.fleet.streaming.saved import decode, encode, joined
from strikewatch.service.worker import Worker
from strikewatch.settings.tree import Settings, load
from strikewatch.sources.mqtt import Message
from strikewatch.storage.commit.store import Store
from strikewatch.storage.schema import tables
from tests.fleet.messages import (
    EVENTS,
    KEY,
    NOW_MS,
    SAMPLES,
    Sent,
    Shard,
    alerts_of,
    cut,
    firing,
    messages_of,
)
from tests.goldens.bless import GOLDEN, NAMES, SHIFTS
from tests.service.bench import GivenMessages

ORDERED = [name for name in NAMES if name != "trench-feed"]
"""Shifts whose rows are recorded in the order in which they arrived: a replay sorts the others, a stream cannot."""


def settings_of(name: str) -> Settings:
    path = SHIFTS / name / SETTINGS
    return load(path) if path.exists() else Settings()


def golden(name: str) -> list[tuple[str, str, str | None]]:
    lines = (SHIFTS / name / GOLDEN).read_text(encoding="utf-8").splitlines()
    return alerts_of(json.loads(line) for line in lines)


def processed(
    folder: Path, settings: Settings, batches: Sequence[Sequence[tuple[str, bytes]]], end_ms: int
) -> list[tuple[str, str, str | None]]:
    """Return what the processor of a site finds in the messages, and in a minute in which nothing comes."""
    now, source, store = end_ms * 1_000_000, GivenMessages(), Store(folder / "watch.db")
    clock = lambda: now  # noqa: E731
    worker = Worker(
        *(settings, store, source),
        wall=clock,
        monotonic=clock,
        alerts_changed=lambda: None,
        wait=lambda _s: True,
    )
    for batch in batches:
        source.coming += [Message(topic, payload, now, 0, 1, 1, False) for topic, payload in batch]
        while worker.turn(0.0):
            pass
    for _ in range(60):
        now += SECOND
        worker.turn(0.0)
    with store.read() as connection:
        records = connection.scalars(select(tables.alerts.c.record)).all()
    store.close()
    return alerts_of(json.loads(record) for record in records)


def stream(shard: Shard, batches: list[list[tuple[str, bytes]]], end_ms: int) -> None:
    """Send all batches, then let a minute pass in which nothing comes."""
    for batch in batches:
        shard.take(batch, end_ms)
    for silent_ms in range(1000, 61_000, 1000):
        shard.pass_silence(end_ms + silent_ms)


@pytest.fixture(scope="module")
def messages() -> dict[str, list[Sent]]:
    return {name: messages_of(SHIFTS / name) for name in NAMES}


@pytest.mark.parametrize("name", ORDERED)
def test_a_stream_finds_what_a_replay_finds(messages: dict[str, list[Sent]], name: str) -> None:
    sent, shard = messages[name], Shard.of(settings_of(name))
    stream(shard, cut(sent, seed=1, most=60), sent[-1][0] // 1_000_000)
    found = shard.alerts()
    # silence goes on for longer than the recording
    expected = golden(name)
    after = [one for one in found if one not in expected]
    lost = {c.alert_id for c in shard.changes if c.record["fault"] == "signal_lost" and c.cleared is None}
    assert {one[0] for one in after} <= lost
    assert [one for one in found if one in expected] == expected


@pytest.mark.parametrize("name", ["trench-feed", "pad-handover", "hot-bench"])
def test_a_stream_finds_what_a_processor_finds(
    messages: dict[str, list[Sent]], tmp_path: Path, name: str
) -> None:
    """Of the same messages in the same order, also where they are late and sorted otherwise in a recording."""
    sent, shard = messages[name], Shard.of(settings_of(name))
    end_ms = max(one[0] for one in sent) // 1_000_000
    batches = cut(sent, seed=2, most=60)
    stream(shard, batches, end_ms)
    assert shard.alerts() == processed(tmp_path, settings_of(name), batches, end_ms)
    assert shard.alerts()


def test_results_do_not_depend_on_how_messages_are_cut(messages: dict[str, list[Sent]]) -> None:
    sent = messages["hired-out"]
    records = []
    for seed, most in ((1, 1000), (2, 7), (3, 80)):
        shard = Shard.of(Settings())
        stream(shard, cut(sent, seed, most), sent[-1][0] // 1_000_000)
        last = {change.alert_id: change.record for change in shard.changes}
        bouts = [bout for one in shard.outcomes for bout in one.bouts]
        stretches = [stretch for one in shard.outcomes for stretch in one.stretches]
        records.append((last, repr(sorted(bouts)), repr(sorted(stretches)), shard.hammers))
    assert records[0][:3] == records[1][:3] == records[2][:3]


def test_a_repeated_micro_batch_gives_the_same_outcome() -> None:
    """After a failure Spark repeats a micro-batch in a process that has gone beyond it."""
    shard = Shard.of(Settings())
    shard.take([(SAMPLES, firing(0, 10))], NOW_MS + 10_000)
    before = shard.schedule, dict(shard.hammers)
    shard.take([(SAMPLES, firing(10.5, 16))], NOW_MS + 16_000)
    shard.take([(SAMPLES, firing(16.5, 40))], NOW_MS + 40_000)
    again = Shard(shard.given, *before)
    again.take([(SAMPLES, firing(10.5, 16))], NOW_MS + 16_000)
    assert again.outcomes[0].encode() == shard.outcomes[1].encode()
    assert [change.step for change in again.changes] == ["raised"]


def test_a_hammer_begins_anew_where_a_failed_attempt_has_left_a_state() -> None:
    shard = Shard.of(Settings())
    shard.take([(SAMPLES, firing(0, 20))], NOW_MS + 20_000)
    again = Shard(shard.given)
    again.take([(SAMPLES, firing(0, 20))], NOW_MS + 20_000)
    assert again.outcomes[0].encode() == shard.outcomes[0].encode()
    assert again.hammers == shard.hammers


def test_silence_completes_a_fault_without_another_row() -> None:
    """14.9 s of firing that nothing follows are 15 s once the last value has been held."""
    shard = Shard.of(Settings())
    shard.take([(SAMPLES, firing(0, 14.5))], NOW_MS + 14_600)
    shard.pass_silence(NOW_MS + 15_000)
    assert not shard.changes
    for k in range(16, 60):
        shard.pass_silence(NOW_MS + 1000 * k)
    assert [(c.record["fault"], c.step) for c in shard.changes if c.deliver] == [
        ("same_spot", "raised"),
        ("same_spot", "cleared"),
        ("signal_lost", "raised"),
    ]


def test_rows_that_were_only_late_withdraw_what_silence_found() -> None:
    shard = Shard.of(Settings())
    shard.take([(SAMPLES, firing(0, 14.5))], NOW_MS + 14_600)
    for k in range(20, 30):
        shard.pass_silence(NOW_MS + 1000 * k)
    stopped = json.dumps([{"time_ms": NOW_MS + 14_700 + 500 * k, "active": False} for k in range(80)])
    shard.take([(SAMPLES, stopped.encode())], NOW_MS + 56_000)
    last = [change for change in shard.changes if change.record["fault"] == "same_spot"][-1]
    assert (last.step, last.record["evidence"].get("withdrawn")) == ("cleared", True)


def test_time_in_which_the_stream_did_not_run_is_no_silence() -> None:
    """The messages of then wait to be read; a processor likewise counts silence from its start on."""
    shard = Shard.of(Settings())
    shard.take([(SAMPLES, firing(0, 5))], NOW_MS + 5000)
    shard.pass_silence(NOW_MS + 8000)
    restarted = NOW_MS + 3_600_000
    for k in range(10):
        shard.pass_silence(restarted + 1000 * k)
    assert not shard.changes
    for k in range(10, 60):
        shard.pass_silence(restarted + 1000 * k)
    assert [change.record["fault"] for change in shard.changes] == ["signal_lost"]


@pytest.mark.parametrize("every_s", [5, 8, 12, 20])
def test_a_slow_micro_batch_without_rows_of_a_hammer_is_no_silence(every_s: int) -> None:
    """While a backlog is read, a hammer's rows may wait behind those of others. A silence that lasts is still found."""
    shard = Shard.of(Settings())
    shard.take([(SAMPLES, firing(0, 14.5))], NOW_MS)
    shard.pass_silence(NOW_MS + 1000 * every_s)
    stopped = json.dumps([{"time_ms": NOW_MS + 14_600 + 500 * k, "active": False} for k in range(9)])
    shard.take([(SAMPLES, stopped.encode())], NOW_MS + 2000 * every_s)
    assert not shard.changes
    for k in range(3, 50):
        shard.pass_silence(NOW_MS + 1000 * every_s * k)
    assert [change.record["fault"] for change in shard.changes] == ["signal_lost"]


def test_an_event_takes_effect_at_its_time_in_a_long_silence() -> None:
    settings = load(given={"faults": {"grease": {"due_s": 5.0, "overdue_s": 10.0}}})
    shard = Shard.of(settings)
    shard.take([(SAMPLES, firing(0, 20))], NOW_MS + 20_000)
    at = exact_text((NOW_MS + 200_000) * 1_000_000)
    greased = json.dumps({"time": at, "event": "grease", "strokes": [12, 12]}).encode()
    shard.take([(EVENTS, greased)], NOW_MS + 21_000)
    for k in range(22, 230):
        shard.pass_silence(NOW_MS + 1000 * k)
    [cleared] = [one for one in shard.changes if one.record["fault"] == "grease_overdue" and one.cleared]
    assert cleared.cleared == (NOW_MS + 200_000) * 1_000_000


def test_messages_are_taken_in_order_of_arrival() -> None:
    """Offsets of different partitions say nothing of their order; a bridge's clock may be set back."""

    def row(partition: int | None, offset: int, received_ns: int | None) -> Any:
        return SimpleNamespace(partition=partition, offset=offset, received_ns=received_ns)

    arrived = [row(1, 900, 10), row(0, 5, 20), row(1, 901, 30), row(1, 902, 15), row(0, 6, 40)]
    assert in_order(arrived[::-1]) == arrived
    without_times = [row(None, k, None) for k in range(5)]
    assert in_order(without_times[::-1]) == without_times


def test_a_correction_of_what_never_arrived_is_reported() -> None:
    shard = Shard.of(Settings())
    at = exact_text(NOW_MS * 1_000_000)
    withdrawn = {"time_ms": NOW_MS + 1000, "event": "withdrawal", "corrects": {"event": "grease", "time": at}}
    shard.take([(SAMPLES, firing(0, 1)), (EVENTS, json.dumps(withdrawn).encode())], NOW_MS + 2000)
    shard.take([(SAMPLES, firing(1.5, 3))], NOW_MS + 3000)
    warnings = [one for outcome in shard.outcomes for one in outcome.warnings]
    assert [(event, key) for event, key, _ in warnings] == [("correction_too_late", KEY)]


def test_a_parked_hammer_is_not_looked_at_again() -> None:
    shard = Shard.of(Settings())
    shard.take([(SAMPLES, firing(0, 5))], NOW_MS + 5000)
    for k in range(6, 700):
        shard.pass_silence(NOW_MS + 1000 * k)
    before = dict(shard.hammers)
    step, _ = shard.step(NOW_MS + 900_000)
    assert step.pass_silence() == {}
    assert shard.hammers == before


def test_messages_that_come_twice_count_once() -> None:
    shard = Shard.of(Settings())
    sign_on = json.dumps({"time_ms": NOW_MS - 1000, "event": "sign_on", "operator": "op-14"}).encode()
    shard.take([(EVENTS, sign_on), (SAMPLES, firing(0, 20))], NOW_MS + 20_000)
    shard.take([(EVENTS, sign_on), (SAMPLES, firing(0, 20)), (SAMPLES, firing(20.5, 21))], NOW_MS + 21_000)
    assert sum(len(one.events) for one in shard.outcomes) == 1
    assert [change.record["operator"] for change in shard.changes if change.step == "raised"] == ["op-14"]
    assert shard.outcomes[1].counts == {"duplicate": 41}
    assert not shard.outcomes[1].rejects  # duplicates, not late


def test_the_channels_of_an_instant_may_come_in_two_micro_batches() -> None:
    """The second half is released 1 ns after the first, as in one process."""
    halves = [
        (SAMPLES, json.dumps({"time_ms": NOW_MS + 500 * k, name: value}).encode())
        for k in range(30)
        for name, value in (("active", True), ("oil_c", 60.0))
    ]
    apart, together = Shard.of(Settings()), Shard.of(Settings())
    for message in halves:
        apart.take([message], NOW_MS + 15_000)
    together.take(halves, NOW_MS + 15_000)
    assert not [one for outcome in apart.outcomes for one in outcome.rejects]
    assert apart.alerts() == together.alerts()


def test_what_cannot_be_used_is_rejected_with_its_reason() -> None:
    shard = Shard.of(Settings())
    shard.take([(SAMPLES, b"{"), ("strikewatch/elsewhere", b"{}"), (SAMPLES, firing(0, 1))], NOW_MS + 1000)
    [outcome] = shard.outcomes
    assert sorted(one.reason for one in outcome.rejects) == ["not_json", "topic"]
    assert outcome.rows == 3
    assert joined(shard.outcomes).rejects == outcome.rejects


def test_hammers_beyond_the_limit_are_refused_and_take_no_state() -> None:
    settings = load(given={"intake": {"max_hammers": 1}})
    shard = Shard.of(settings)
    shard.take([(SAMPLES, firing(0, 1))], NOW_MS + 1000)
    shard.take([(SAMPLES.replace("HB-01", f"HB-9{k}"), firing(0, 1)) for k in range(9)], NOW_MS + 1000)
    assert list(shard.hammers) == [KEY]
    assert {one.reason for one in shard.outcomes[1].rejects} == {"too_many_hammers"}
    assert len(shard.outcomes[1].rejects) == 9


def test_a_state_of_another_version_is_refused_with_the_remedy() -> None:
    with pytest.raises(StoreError, match="begin with a new checkpoint"):
        decode(KEY, b"SWf0 something")


def test_a_saved_hammer_loses_nothing() -> None:
    shard = Shard.of(Settings())
    note = json.dumps({"time_ms": NOW_MS + 90_000, "event": "sign_on", "operator": "op-14"}).encode()
    shard.take([(SAMPLES, firing(0, 20)), (EVENTS, note)], NOW_MS + 20_000)
    saved = decode(KEY, shard.hammers[KEY])
    assert (len(saved.events), len(saved.alerts), len(saved.seen)) == (1, 1, 1)
    assert encode(saved) == shard.hammers[KEY]
