"""Each message about an alert that a receiver accepts is newer than the last, single or digest."""

import json
import re
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import URL

from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Refused, StoreBlocked
from strikewatch.sinks import Endpoint, SendResult
from strikewatch.sinks.delivery_loop import SUPERSEDED, DeliveryLoop
from strikewatch.sinks.settings import Schedule
from strikewatch.storage.engines.shared import SharedDatabase
from strikewatch.storage.outbox import deliveries
from strikewatch.storage.outbox.messages import Message, Outbox
from tests.engine.scenario import MINUTE, AlertScenario
from tests.profiles import examples

SMALL_FLOODS: dict[str, Any] = {
    "flood_above": 2,
    "flood_below": 2,
    "flood_window_s": 30.0,
    "digest_settle_s": 1.0,
    "digest_every_s": 5.0,
}
RETRY_S = (5, 60)
HAMMERS = ("HB-01", "HB-02", "HB-03")


class Office:
    """A receiver that answers as scripted, and notes what it accepts of each alert in order of arrival."""

    def __init__(self) -> None:
        self.script: list[bool] = []
        self.accepted: list[tuple[int, str, list[dict[str, Any]]]] = []
        """Number, step, and records of each message."""

    def send(self, message: Message, now: Instant) -> SendResult:
        del now
        body = json.loads(message.body)
        if message.step == "digest":
            assert body["count"] == len(body["alerts"]) > 0
            assert f"{body['count']} alert" in body["summary"]
        delivered = self.script.pop(0) if self.script else True
        if delivered:
            self.accepted.append((message.seq, message.step, body.get("alerts", [body])))
        return SendResult(delivered, "as scripted")

    def idle(self) -> None:
        """Do nothing: there is no connection."""

    def close(self) -> None:
        """Do nothing: there is no connection."""

    def of(self, alert_id: str) -> list[tuple[int, str, bool]]:
        """Return number, step and whether it is active, of each accepted message about an alert."""
        return [
            (seq, step, record["cleared"] is None)
            for seq, step, records in self.accepted
            for record in records
            if record["id"] == alert_id
        ]


class Run(AlertScenario):
    """A site with one receiver, through failures and restarts."""

    def __init__(self, where: Path | URL) -> None:
        self.office = Office()
        super().__init__(where, **SMALL_FLOODS)

    def open(self) -> None:
        super().open()
        endpoint = Endpoint("office", Schedule(retry_s=RETRY_S, jitter=0), self.office)
        self.outbox = Outbox(self.store, "office")
        self.loop = DeliveryLoop(self.outbox, endpoint, lambda: self.now, lambda: self.now)
        self.loop.refresh()

    def send(self, *script: bool) -> None:
        """Let what is due be sent; `script`: whether each attempt succeeds, all further ones do."""
        self.office.script = [*script]
        self.loop.load()
        self.loop.send_due(lambda: False)
        self.office.script = []

    def send_again(self) -> None:
        with SharedDatabase(self.path) as other, other.write() as connection:
            deliveries.send_again(connection, self.now, endpoint="office")
        self.loop.refresh()

    def act(self, action: str, argument: Any) -> None:
        if action == "raise":
            self.raise_(*argument)
        elif action == "wait":
            self.wait(argument)
        elif action == "send":
            self.send(*argument)
        elif action == "crash":
            self.restart()  # the outcomes that are not written are lost
        elif action == "send again":
            self.send_again()
        elif self.raised:
            alert = self.raised[argument % len(self.raised)]
            if action == "clear" and alert.cleared is None:
                self.clear(alert)
            elif action == "reopen" and alert.cleared is not None:
                self.reopen(alert)
            elif action == "escalate" and alert.cleared is None and alert.priority != "high":
                self.escalate(alert)

    def finish(self) -> None:
        for _ in range(4):
            self.wait(20 * MINUTE)
            self.send_again()
            for _ in range(10):
                self.send()
        self.loop.idle()

    def check(self) -> None:
        assert set(self.outbox.counts()) <= {"sent"}
        for alert in self.raised:
            mentions = self.office.of(alert.id)
            numbers = [seq for seq, *_ in mentions]
            assert numbers == sorted(numbers), "what arrives later is newer"
            once = dict.fromkeys((seq, step) for seq, step, _ in mentions)
            brief = "".join(step[0] for _, step in once if step != "digest")
            assert re.fullmatch("(re?c)*(re?)?", brief), "each once in a round, and in order"
            if mentions:
                assert mentions[-1][2] == (alert.cleared is None), (
                    "the last message is the state of the alert"
                )
            else:
                assert alert.cleared is not None, "an active alert is sent"


index = st.integers(0, 30)
raises = st.tuples(
    st.just("raise"),
    st.tuples(
        st.sampled_from(HAMMERS),
        st.sampled_from(["same_spot", "hot_oil"]),
        st.sampled_from(["medium", "medium", "medium", "high"]),
    ),
)
sends = st.tuples(st.just("send"), st.lists(st.booleans(), max_size=4))
actions = st.lists(
    st.one_of(
        raises,
        raises,
        raises,
        sends,
        sends,
        st.tuples(st.sampled_from(["clear", "reopen", "escalate"]), index),
        st.tuples(st.sampled_from(["clear", "escalate"]), index),
        st.tuples(st.just("wait"), st.sampled_from([1.0, 5.0, 31.0, 70.0])),
        st.tuples(st.just("wait"), st.sampled_from([1.0, 5.0])),
        st.tuples(st.sampled_from(["crash", "crash", "send again"]), st.none()),
    ),
    min_size=12,
    max_size=50,
)


@contextmanager
def playing(where: Path | URL) -> Iterator[Run]:
    run = Run(where)
    try:
        yield run
        run.finish()
        run.check()
    finally:
        run.close()


def play(where: Path | URL, steps: list[tuple[str, Any]]) -> None:
    with playing(where) as run:
        for step in steps:
            with suppress(Refused):
                run.act(*step)


@settings(max_examples=examples(30))
@given(actions)
def test_what_arrives_later_about_an_alert_is_newer(steps: list[tuple[str, Any]]) -> None:
    """With failures, crashes, dead letters sent again, and refuted clears."""
    with tempfile.TemporaryDirectory() as folder:
        play(Path(folder), steps)


def test_the_same_on_a_server(where: Path | URL) -> None:
    """The cases below, and a long one."""
    if isinstance(where, Path):
        where.parent.mkdir(exist_ok=True)
        where = where.parent
    with playing(where) as run:
        for n in range(40):
            run.raise_(HAMMERS[n % 3], "same_spot")
            run.send(n % 3 == 0, n % 2 == 0)
            run.act("escalate", n * 7)
            run.act("clear", n * 5)
            run.act("reopen", n * 11)
            run.wait(float(n % 4))
            if n % 9 == 8:
                run.restart()


Case = Callable[[Run], None]


def flood(run: Run) -> None:
    """Raise five alerts; the digest that lists the last three is due."""
    for hammer in ("HB-01", "HB-02", "HB-03", "HB-04", "HB-05"):
        run.raise_(hammer)
    run.send()
    run.wait(5)


def test_a_digest_that_is_retried_leaves_out_what_was_sent_meanwhile(tmp_path: Path) -> None:
    """The alert of high priority does not wait for it."""
    with playing(tmp_path) as run:
        flood(run)
        run.send(False)
        alert = run.raised[3]
        run.escalate(alert)
        run.send()
        run.clear(alert)
        run.send()
        run.wait(5)
        run.send()
        assert [step for _, step, _ in run.office.of(alert.id)] == ["raised", "cleared"]
        *_, (_, step, records) = run.office.accepted
        assert (step, [record["hammer"] for record in records]) == ("digest", ["HB-03", "HB-05"])
        run.loop.idle()
        with run.store.read() as connection:
            (digest,) = (one for one in deliveries.search(connection, state="sent") if one.step == "digest")
            *_, last = deliveries.look_up(connection, digest.number)[1]
        assert last.trace.splitlines()[0] == "alerts left out, since they have newer messages: 1"


def test_a_digest_with_nothing_left_to_tell_is_not_sent(tmp_path: Path) -> None:
    with playing(tmp_path) as run:
        flood(run)
        run.send(False)
        for alert in run.raised[2:]:
            run.escalate(alert)
        run.send()
        run.wait(5)
        run.send()
        assert {step for _, step, _ in run.office.accepted} == {"raised"}
        run.loop.idle()
        with run.store.read() as connection:
            (digest,) = (one for one in deliveries.search(connection) if one.step == "digest")
        assert (digest.state, digest.attempts, digest.outcome) == ("sent", 1, SUPERSEDED)


@pytest.mark.parametrize("parked", [False, True])
def test_an_alert_with_an_undelivered_message_is_not_listed(tmp_path: Path, parked: bool) -> None:
    """Its clear is retried, or given up, when it proves to have gone on amid a flood: it is sent alone after that."""
    with playing(tmp_path) as run:
        run.wait(1)
        run.clear(alert := run.raise_("HB-04", ago_s=-8.0))
        run.send(True, False)
        if parked:
            for _ in range(len(RETRY_S)):
                run.now += 60 * SECOND
                run.send(False)
            run.now -= 60 * len(RETRY_S) * SECOND
        for hammer in ("HB-01", "HB-02", "HB-03"):
            run.raise_(hammer)
        run.wait(9)
        run.reopen(alert)
        assert run.rows()[0]["held"]
        run.wait(60)
        run.send()
        run.escalate(alert)
    assert [step for _, step, _ in run.office.of(alert.id)] == ["raised", "cleared", "raised", "escalated"]


def test_a_digest_behind_another_is_read_when_it_is_sent(tmp_path: Path) -> None:
    """A newer message came while it waited."""
    with playing(tmp_path) as run:
        flood(run)
        run.send(False)
        alert = run.raise_("HB-06")
        run.wait(5)
        run.loop.load()
        run.escalate(alert)
        run.send(False)
        run.send()
        run.wait(5)
        run.send()
        assert [step for _, step, _ in run.office.of(alert.id)] == ["raised"]


def test_digests_of_one_episode_only_list_an_alert(tmp_path: Path) -> None:
    """Chattering first; late alerts then make a flood, which holds its onset, too, when its end proves untrue."""
    with playing(tmp_path) as run:
        for _ in range(2):
            run.raise_("HB-04")
            run.wait(20)
        alert = run.raise_("HB-04")
        run.wait(5)
        run.send()
        run.clear(alert)
        run.wait(5)
        run.send(False)  # the digest with the end is retried
        for hammer in HAMMERS:
            run.raise_(hammer, ago_s=11)
        run.reopen(alert)
        run.wait(5)
        run.send(False)
        run.wait(70)
        run.send()
    assert [step for _, step, _ in run.office.of(alert.id)] == ["digest", "raised"]


def test_a_digest_that_cannot_be_read_now_is_sent_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with playing(tmp_path) as run:
        flood(run)

        def refuse(*_: object) -> None:
            raise StoreBlocked("the disk is full")

        with monkeypatch.context() as patch:
            patch.setattr(Outbox, "message", refuse)
            with pytest.raises(StoreBlocked):
                run.send()
        run.send()
        assert [step for _, step, _ in run.office.accepted] == ["raised", "raised", "digest"]
