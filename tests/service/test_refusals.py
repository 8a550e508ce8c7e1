"""What a commit does that the database refuses: it waits and says so, or sets the message aside that causes it."""

import json
import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from pathlib import Path

import pytest

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.errors import StoreError, Unstorable
from strikewatch.service.committer import UNAVAILABLE_NS, UNSTORABLE_ATTEMPTS
from strikewatch.service.step_journal import MAX_DEATHS_WITH_COMMITS, StepJournal
from strikewatch.sources.mqtt import Message
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Message as Outgoing
from tests.service.bench import worker_of

START = instant.parse("2026-03-04T07:15:00Z")
REFUSE_OP_13 = (
    "create trigger no_op_13 before insert on events when new.fields like '%op-13%' "
    "begin select raise(abort, 'no such operator'); end"
)


def sign_on(hammer: str, n: int) -> Message:
    body = {"time": instant.text(START + n * SECOND), "event": "sign_on", "operator": f"op-{n}"}
    topic = f"strikewatch/fennick-hollow/{hammer}/events"
    return Message(topic, json.dumps(body).encode(), START + n * SECOND, n, 1, 1, False)


def block(hammer: str, n: int) -> Message:
    body = {"time": instant.text(START + n * SECOND), "step_s": 0.1, "active": [True, False] * 15}
    topic = f"strikewatch/fennick-hollow/{hammer}/samples"
    return Message(topic, json.dumps(body).encode(), START + n * SECOND, n, 1, 1, False)


class Broker:
    """Keeps messages until they are acknowledged; a new processor gets them again."""

    def __init__(self, *messages: Message) -> None:
        self.queued = list(messages)
        self._sent = 0

    def connect(self) -> None:
        self._sent = 0

    def take(self, limit: int, timeout_s: float) -> list[Message]:
        del timeout_s
        taken = self.queued[self._sent : self._sent + limit]
        self._sent += len(taken)
        return taken

    def acknowledge(self, messages: Iterable[Message]) -> None:
        for message in messages:
            self.queued.remove(message)
            self._sent -= 1

    def put_back(self, messages: Sequence[Message]) -> None:
        pytest.fail(f"{len(messages)} messages were put back")


class Run:
    """A processor's worker on the database of a folder; `waits` counts its waits for the database, a second each."""

    def __init__(self, folder: Path, broker: Broker) -> None:
        broker.connect()
        self.broker = broker
        self.now = START + 60 * SECOND
        self.waits = 0
        self.urgent: list[tuple[str, Outgoing]] = []
        self.store = Store(folder / "watch.db", {"office": "http://127.0.0.1:9/"})
        self.journal = StepJournal(folder / "watch.db-step")
        self.worker = worker_of(
            self.store,
            broker,
            lambda: self.now,
            lambda: self.now,
            wait=self.wait,
            send_urgent=self.urgent.extend,
            journal=self.journal,
        )

    def wait(self, timeout_s: float) -> bool:
        self.now += instant.seconds(timeout_s)
        self.waits += 1
        return False

    def work_off(self) -> None:
        """Take all that the broker has, and close; as the processor does, also after an error."""
        try:
            while self.worker.turn(0.0):
                self.now += SECOND
            self.journal.close()
        finally:
            self.store.close()


def execute(folder: Path, sql: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(folder / "watch.db")) as database, database:
        return database.execute(sql).fetchall()


def test_a_message_that_the_database_refuses_is_set_aside_and_the_others_are_stored(tmp_path: Path) -> None:
    Store(tmp_path / "watch.db").close()
    execute(tmp_path, REFUSE_OP_13)
    broker = Broker(*(sign_on(f"HB-0{n % 3}", n) for n in range(11, 18)))
    for _ in range(1 + MAX_DEATHS_WITH_COMMITS):  # with the others, and then alone
        run = Run(tmp_path, broker)
        with pytest.raises(Unstorable, match="no such operator"):
            run.work_off()
        assert run.waits == UNSTORABLE_ATTEMPTS - 1
    Run(tmp_path, broker).work_off()
    assert broker.queued == []
    stored = execute(tmp_path, "select json_extract(fields, '$.operator') from events order by time_ns")
    assert [name for (name,) in stored] == [f"op-{n}" for n in (11, 12, 14, 15, 16, 17)]
    ((reason, payload),) = execute(tmp_path, "select reason, payload from rejects")
    assert reason == "ended_process"
    assert "op-13" in str(payload)


def test_any_other_refusal_is_tried_again_and_raises_an_alert_at_once(tmp_path: Path) -> None:
    """The table of the spool is missing for a minute; the alert is sent before it can be stored."""
    broker = Broker(sign_on("HB-01", 11))
    Run(tmp_path, broker).work_off()
    broker.queued = [sign_on("HB-01", 12), *(sign_on("HB-02", n) for n in range(13, 15))]
    broker.queued.append(block("HB-01", 50))
    run = Run(tmp_path, broker)
    execute(tmp_path, "alter table arrived rename to elsewhere")

    def wait(timeout_s: float) -> bool:
        run.wait(timeout_s)
        assert len(broker.queued) == 4
        assert bool(run.urgent) == (run.waits > UNAVAILABLE_NS // SECOND)
        if run.waits == 60:
            execute(tmp_path, "alter table elsewhere rename to arrived")
        return False

    run.worker._committer._wait = wait
    run.worker.turn(0.0)
    assert run.waits == 60
    assert broker.queued == []
    ((endpoint, message),) = run.urgent
    assert endpoint == "office"
    assert '"database_unavailable"' in message.body
    ((fault, cleared),) = execute(
        tmp_path, "select json_extract(record, '$.fault'), cleared_ns from alerts where hammer = ''"
    )
    assert (fault, cleared) == ("database_unavailable", None)
    for _ in range(8):
        run.now += SECOND
        run.worker.turn(0.0)
    run.store.close()
    ((cleared,),) = execute(tmp_path, "select cleared_ns from alerts where hammer = ''")
    assert cleared is not None


def test_a_worker_that_is_stopped_while_the_database_refuses_ends(tmp_path: Path) -> None:
    run = Run(tmp_path, Broker(sign_on("HB-01", 11)))
    execute(tmp_path, "alter table events rename to elsewhere")
    run.worker._committer._wait = lambda _s: True
    with pytest.raises(StoreError, match="no such table"):
        run.work_off()
