"""A lost session and a client id in use are alerts: by the rules, then with a real broker, database and process."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest

from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.self_alerts import CLEAR_DELAY_NS, SESSION_CLEAR_DELAY_NS
from strikewatch.service.broker_session import SessionWatch
from strikewatch.sources.mqtt import Status
from tests.broker import Broker
from tests.service.processor import SITE, Gateway, Processor, now_ns, until
from tests.service.test_live import rest

START = 1_772_608_500 * SECOND
HAMMERS = {("bench", "HB-01"): START - 40 * SECOND, ("bench", "HB-02"): START - 7200 * SECOND}


class Watched:
    """A watch with a clock and a connection of the test's own."""

    def __init__(self, held: Instant | None, doubt_s: int = 0) -> None:
        self.now = START
        self.status = Status(connected=False, since_ns=0, reason="")
        self.watch = SessionWatch(lambda: self.status, held, doubt_s * SECOND)

    def connect(self, resumed: bool) -> None:
        new = self.status.new_sessions + (not resumed)
        self.status = replace(self.status, connected=True, new_sessions=new)

    def check(self, later_s: float = 0.0) -> list[Change]:
        self.now += round(later_s * SECOND)
        changes = self.watch.check(self.now, self.now, HAMMERS, HAMMERS.__getitem__)
        if self.watch.unsaved is not None:
            self.watch.stored(self.watch.unsaved)
        return changes


def names(changes: list[Change]) -> list[tuple[str, str, str]]:
    return [(one.step, one.site, one.record["fault"]) for one in changes]


def test_the_first_session_of_a_database_is_not_a_loss() -> None:
    one = Watched(None)
    assert one.check() == []
    assert one.watch.held is None
    one.connect(resumed=False)
    assert one.check(1) == []
    assert one.watch.held == START + SECOND


def test_a_resumed_session_is_not_a_loss() -> None:
    one = Watched(START - 3600 * SECOND)
    one.connect(resumed=True)
    assert one.check() == []


def test_a_lost_session_says_from_when_to_when() -> None:
    """From when the broker last held it, less the time for which a dead connection may have gone unnoticed."""
    one = Watched(START - 10 * SECOND, doubt_s=5)
    one.connect(resumed=False)
    (raised,) = one.check()
    assert names([raised]) == [("raised", "bench", "session_lost")]
    assert raised.record["priority"] == "high"
    assert raised.record["hammer"] == ""
    # the newest row of the site is 40 s old: what was queued behind it is lost
    assert raised.record["evidence"] == {
        "missing_since": "2026-03-04T07:14:20Z",
        "missing_until": "2026-03-04T07:15:00Z",
    }
    assert "2026-03-04T07:14:20Z" in raised.record["summary"]


def test_a_session_lost_again_and_again_is_one_alert() -> None:
    """Its end counts from the last loss, and what it says is missing reaches to there."""
    one = Watched(START - 100 * SECOND)
    one.connect(resumed=False)
    (raised,) = one.check()
    one.connect(resumed=False)
    assert one.check(30) == []
    one.connect(resumed=True)
    assert one.check(1) == []
    (cleared,) = one.check(SESSION_CLEAR_DELAY_NS / SECOND)
    assert names([cleared]) == [("cleared", "bench", "session_lost")]
    assert cleared.alert_id == raised.alert_id
    assert cleared.record["evidence"] == {
        "missing_since": "2026-03-04T07:13:20Z",
        "missing_until": "2026-03-04T07:15:30Z",
    }


def test_a_connection_between_two_looks_does_not_hide_a_loss() -> None:
    """Lost, made anew and resumed before the worker looks; the same for the first two sessions of a database."""
    for held, sessions in ((START, 1), (None, 2)):
        one = Watched(held)
        for _ in range(sessions):
            one.connect(resumed=False)
        one.connect(resumed=True)
        one.status = replace(one.status, connected=False)
        assert names(one.check()) == [("raised", "bench", "session_lost")]


def test_takeovers_are_an_alert_until_the_session_lasts() -> None:
    one = Watched(START)
    one.status = replace(one.status, in_use=True)
    assert names(one.check()) == [("raised", "bench", "client_id_in_use")]
    assert one.check(1) == []
    one.status = replace(one.status, in_use=False)
    assert one.check(1) == []
    assert names(one.check(CLEAR_DELAY_NS / SECOND)) == [("cleared", "bench", "client_id_in_use")]


def test_an_alert_of_an_earlier_run_is_continued() -> None:
    first = Watched(START - SECOND)
    first.connect(resumed=False)
    (raised,) = first.check()
    later = Watched(START)
    assert later.watch.restore(raised.record, raised.onset)
    assert not later.watch.restore({"fault": "disk_full"}, START)
    later.check()
    (cleared,) = later.check(SESSION_CLEAR_DELAY_NS / SECOND)
    assert cleared.alert_id == raised.alert_id
    assert cleared.record["evidence"] == raised.record["evidence"]


def of_session(processor: Processor) -> list[dict[str, Any]]:
    found = processor.query("select record from alerts where fault = 'session_lost'")
    return [json.loads(record) for (record,) in found]


def steal(broker: Broker, client_id: str) -> None:
    """Connect under a client id with a clean session, then leave."""
    thief = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id=client_id)
    connected: list[bool] = []
    thief.on_connect = lambda *_: connected.append(True)
    thief.connect(broker.host, broker.port)
    until(lambda: (thief.loop(0.05), connected)[1])
    thief.disconnect()
    thief.loop(0.05)


@pytest.mark.parametrize("signed", ["made", "configured"])
def test_a_session_that_was_ended_while_the_processor_was_away_is_an_alert(
    tmp_path: Path, signed: str
) -> None:
    """No alert at the first start, nor after a plain restart; one after a clean start by somebody else."""
    mqtt: dict[str, Any] = {"client_id": "configured"} if signed == "configured" else {}
    with (
        Broker(tmp_path / "broker") as broker,
        Processor(tmp_path / "processor", broker, mqtt=mqtt).start() as processor,
        Gateway(broker) as gateway,
    ):
        start = now_ns() - 60 * SECOND
        rest(gateway, "HB-03", start, 0, 10)
        processor.wait_until_processed("HB-03", start + 9 * SECOND)
        assert processor.stop() == 0
        processor.start()
        assert processor.lines("broker_connected")[-1]["resumed"]
        assert of_session(processor) == []
        assert processor.stop() == 0
        ((kept,),) = processor.query("select client_id from broker_session")
        steal(broker, mqtt.get("client_id", kept))
        processor.start()
        (lost,) = until(lambda: of_session(processor))
        assert lost["site"] == SITE
        assert instant.parse(lost["evidence"]["missing_since"]) >= start
        processor.kill()
        processor.start()  # the alert goes on, and is not raised again
        rest(gateway, "HB-03", start, 10, 20)
        processor.wait_until_processed("HB-03", start + 19 * SECOND)
        assert [one["id"] for one in of_session(processor)] == [lost["id"]]
        assert processor.stop() == 0
