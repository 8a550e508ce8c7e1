"""The live way end to end: a real broker, `strikewatch run` as a process, a real database, a real webhook receiver."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from tests.broker import Broker
from tests.receiver import Receiver
from tests.service.processor import Gateway, Processor, now_ns, until
from tests.waiting import LIMIT_S

HOUR = 3600 * SECOND


@pytest.fixture
def processor(tmp_path: Path, broker: Broker, receiver: Receiver) -> Iterator[Processor]:
    with Processor(tmp_path / "processor", broker, receiver.url) as processor:
        yield processor


def fire(gateway: Gateway, hammer: str, start: int, first_s: int, last_s: int, oil_c: float = 60.0) -> None:
    """Send blocks of one second of firing at 10 Hz."""
    for second in range(first_s, last_s):
        at, pressure = start + second * SECOND, [140.0 + k for k in range(10)]
        gateway.block(hammer, at, 0.1, active=[True] * 10, pressure_bar=pressure, oil_c=oil_c)


def rest(gateway: Gateway, hammer: str, start: int, first_s: int, last_s: int) -> None:
    for second in range(first_s, last_s):
        gateway.block(hammer, start + second * SECOND, 0.1, active=[False] * 10)


def test_an_alert_reaches_the_log_the_store_and_the_webhook(
    processor: Processor, gateway: Gateway, receiver: Receiver
) -> None:
    """Raised, escalated and cleared arrive in order, with operator and priority; a malformed payload is counted."""
    start = now_ns() - 60 * SECOND
    processor.start()
    gateway.event("HB-03", start - SECOND, "sign_on", operator="op-14")
    fire(gateway, "HB-03", start, 0, 20)
    gateway.send("HB-03", "samples", b'{"time":"2026-03-04T07:15:00"}')
    gateway.send(
        "HB-03", "samples", {"time": instant.text(start + 20 * SECOND), "active": True, "presure_bar": 1}
    )
    fire(gateway, "HB-03", start, 21, 35)
    rest(gateway, "HB-03", start, 35, 40)
    receiver.wait_for(3)
    assert [one.refused for one in receiver.received] == [""] * 3
    steps = [one.event["type"] for one in receiver.received if one.event]
    assert steps == [f"strikewatch.alert.{step}" for step in ("raised", "escalated", "cleared")]
    record = receiver.received[-1].event["data"]  # type: ignore[index]
    assert (record["fault"], record["operator"], record["priority"]) == ("same_spot", "op-14", "high")
    assert record["onset"] == instant.text(start + 15 * SECOND)
    assert record["cleared"] == instant.text(start + 35 * SECOND)
    assert record["historic"] is False
    assert processor.stop() == 0
    assert processor.alerts() == [record]
    logged = processor.lines("alert")
    assert [line["step"] for line in logged] == ["raised", "escalated", "cleared"]
    assert {name: logged[-1][name] for name in record} == record
    assert processor.query("select reason, n from reject_counts") == [("bad_time", 1)]
    assert [line["key"] for line in processor.lines("unknown_key")] == ["presure_bar"]


def test_a_backlog_is_historic(processor: Processor, gateway: Gateway, receiver: Receiver) -> None:
    start = now_ns() - HOUR
    processor.start()
    fire(gateway, "HB-03", start, 0, 16)
    receiver.wait_for(1)
    assert receiver.received[0].event["data"]["historic"] is True  # type: ignore[index]


@pytest.mark.parametrize("end", ["stop", "kill"])
def test_an_alert_begun_before_a_restart_has_its_exact_onset(
    processor: Processor, gateway: Gateway, receiver: Receiver, end: str
) -> None:
    start = now_ns() - 60 * SECOND
    processor.start()
    gateway.event("HB-03", start - SECOND, "sign_on", operator="op-14")
    fire(gateway, "HB-03", start, 0, 8)
    processor.wait_until_processed("HB-03", start + 7 * SECOND)
    getattr(processor, end)()
    fire(gateway, "HB-03", start, 8, 12)
    gateway.settle()
    processor.start()
    fire(gateway, "HB-03", start, 12, 20)
    rest(gateway, "HB-03", start, 20, 25)
    receiver.wait_for(2)
    record = receiver.received[0].event["data"]  # type: ignore[index]
    assert (record["onset"], record["operator"]) == (instant.text(start + 15 * SECOND), "op-14")
    assert processor.stop() == 0
    (only,) = processor.alerts()
    assert (only["onset"], only["cleared"]) == (record["onset"], instant.text(start + 20 * SECOND))
    assert len({one.name for one in receiver.received}) == 2


def test_silence_ends_a_spot_and_raises_signal_lost_until_late_rows_withdraw_it(
    broker: Broker, receiver: Receiver, gateway: Gateway, tmp_path: Path
) -> None:
    """Without rows the spot ends and the signal is lost; late rows withdraw that."""
    processor = Processor(
        tmp_path / "quick",
        broker,
        receiver.url,
        intake={"grace_s": 0.5},
        **{"faults.signal_lost": {"silence_s": 4.0}},
    ).start()
    with processor:
        # In one message each: part of the rows alone would, on a busy machine, be a silence of its own.
        start = now_ns() - 17 * SECOND
        gateway.block("HB-03", start, 0.1, active=[True] * 170)

        def steps() -> list[tuple[str, str]]:
            return [(line["fault"], line["step"]) for line in processor.lines("alert")]

        until(lambda: ("signal_lost", "raised") in steps())
        assert steps() == [("same_spot", "raised"), ("same_spot", "cleared"), ("signal_lost", "raised")]
        # With the engine off at the end, so that the next silence is none of a working carrier.
        off = {"active": [False] * 100, "engine_rpm": [0.0] * 100}
        gateway.block("HB-03", start + 17 * SECOND, 0.1, **off)
        until(lambda: ("signal_lost", "cleared") in steps())
        assert processor.stop() == 0
        (only,) = processor.alerts()
        assert only["fault"] == "same_spot"
        sent = [
            line["cleared"]
            for line in processor.lines("alert")
            if (line["fault"], line["step"]) == ("same_spot", "cleared")
        ]
        assert len(sent) == 2, "the rows show the end more exactly than the silence did"
        assert sent[-1] == only["cleared"] != sent[0]


def test_a_repeated_greasing_event_counts_once(
    processor: Processor, gateway: Gateway, receiver: Receiver
) -> None:
    start = now_ns() - 60 * SECOND
    processor.start()
    rest(gateway, "HB-02", start, 0, 3)
    for _ in range(2):
        gateway.event("HB-02", start + 2 * SECOND, "grease", strokes=[12, 4])
    rest(gateway, "HB-02", start, 3, 6)
    receiver.wait_for(1)
    assert processor.stop() == 0
    (only,) = processor.alerts()
    assert (only["fault"], only["evidence"]) == ("grease_short", {"strokes_fewest": 4, "nipples": 2})
    assert len(receiver.received) == 1
    assert processor.query("select count(*) from events") == [(1,)]


def test_a_lost_broker_is_logged_and_reconnected(
    processor: Processor, broker: Broker, receiver: Receiver
) -> None:
    processor.start()
    broker.restart(down_s=1.0)
    until(lambda: len(processor.lines("broker_connected")) == 2)
    assert processor.lines("broker_lost")
    gateway = Gateway(broker, "after")
    fire(gateway, "HB-01", now_ns() - 30 * SECOND, 0, 16)
    receiver.wait_for(1)
    gateway.close()
    assert processor.stop() == 0


def test_a_second_instance_on_the_same_database_is_refused(processor: Processor, broker: Broker) -> None:
    processor.start()
    second = Processor(processor.folder, broker)
    second.start()
    assert second.wait(LIMIT_S) == 1
    assert "another" in (processor.folder / "stderr").read_text()
    assert processor.stop() == 0


def test_the_processor_ends_with_an_error_if_a_thread_dies(
    broker: Broker, tmp_path: Path, gateway: Gateway
) -> None:
    """The recordings folder cannot be created, so the processor must not keep running."""
    (tmp_path / "processor").mkdir()
    blocked = tmp_path / "processor" / "a-file"
    blocked.write_text("in the way")
    processor = Processor(
        tmp_path / "processor", broker, recording={"folder": str(blocked / "x"), "roll_s": 1.0}
    )
    processor.start()
    for k in range(12):
        fire(gateway, "HB-01", now_ns() - 10 * SECOND, k, k + 1)
    gateway.settle()
    assert processor.wait(LIMIT_S) == 1
    assert "recorder" in processor.log() or "record" in (tmp_path / "processor" / "stderr").read_text()
