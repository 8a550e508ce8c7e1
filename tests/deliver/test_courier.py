"""The courier against a real HTTP server and a real database, with clocks that the test moves."""

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from strikewatch.deliver import courier as courier_module
from strikewatch.deliver import webhook
from strikewatch.deliver.courier import Courier
from strikewatch.errors import SettingsError, StoreError
from strikewatch.model.alert import Alert, Change, Step
from strikewatch.model.instant import SECOND
from strikewatch.store.outbox import PAGE, Outbox, Outcome
from strikewatch.store.step import StepRecord
from strikewatch.store.store import Store
from tests.receiver import Answer, Receiver

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
KEY = webhook.key_of(SECRET)
START = 1_772_608_500_000_000_000


class Clock:
    """Wall and monotonic time that stand still until moved."""

    def __init__(self) -> None:
        self.now = START
        self.steady = 77 * SECOND

    def wall(self) -> int:
        return self.now

    def monotonic(self) -> int:
        return self.steady

    def wall_s(self) -> float:
        return self.now / SECOND

    def advance(self, by_s: float) -> None:
        self.now += int(by_s * SECOND)
        self.steady += int(by_s * SECOND)


class Yard:
    """A database with a courier that can be taken away and brought back."""

    def __init__(self, path: Path, clock: Clock, endpoints: dict[str, str], **settings: Any) -> None:
        self.path, self.clock = path, clock
        settings = {"jitter": 0.0, "secret_env": "YARD_SECRET", "retry_s": (5, 30, 120)} | settings
        self.endpoints = [webhook.Settings(name=name, url=url, **settings) for name, url in endpoints.items()]
        self.failed: list[BaseException] = []
        self.open()

    def open(self) -> None:
        self.store = Store(self.path, {one.name: one.url for one in self.endpoints})
        self.courier = Courier(
            self.store, self.endpoints, self.clock.wall, self.clock.monotonic, self.failed.append
        )
        self.courier.start()

    def close(self) -> None:
        self.courier.stop()
        self.store.close()

    def restart(self) -> None:
        self.close()
        self.open()

    def tell(self, *steps: tuple[int, Step]) -> None:
        """Commit changes of alerts, named by a number, and wake the courier."""
        self.store.commit(StepRecord(self.clock.now, changes=[change(n, step) for n, step in steps]))
        self.courier.wake()

    def advance(self, by_s: float) -> None:
        self.clock.advance(by_s)
        self.courier.wake()

    def rows(self, columns: str = "state, attempts, last_outcome") -> list[tuple[Any, ...]]:
        with self.store.read() as connection:
            return [
                tuple(row) for row in connection.execute(text(f"select {columns} from outbox order by seq"))
            ]

    def until(self, condition: Callable[[], bool]) -> None:
        limit = time.monotonic() + 20
        while not condition():
            assert time.monotonic() < limit, self.rows()
            time.sleep(0.002)


def change(n: int, step: Step) -> Change:
    cleared = START + n + SECOND if step == "cleared" else None
    alert = Alert("same_spot", "pit", f"HB-{n:02d}", "op-11", "low", START + n * 1000, cleared)
    return Change(step, "pit", alert.hammer, alert.id, alert.record(), alert.onset, cleared)


@contextmanager
def yard_with(path: Path, clock: Clock, *receivers: Receiver, **settings: Any) -> Iterator[Yard]:
    yard = Yard(path, clock, {f"end{i}": one.url for i, one in enumerate(receivers)}, **settings)
    try:
        yield yard
    finally:
        yard.close()


@pytest.fixture(autouse=True)
def _secret(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("YARD_SECRET", SECRET)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "watch.db"


def test_changes_arrive_signed_in_order_over_one_connection(path: Path, clock: Clock) -> None:
    with Receiver(KEY, now_s=clock.wall_s) as receiver, yard_with(path, clock, receiver) as yard:
        yard.tell((1, "raised"), (2, "raised"))
        receiver.wait_for(2)
        yard.tell((1, "escalated"), (1, "cleared"))
        got = receiver.wait_for(4)
        yard.until(lambda: [state for state, *_ in yard.rows()] == ["sent"] * 4)
        assert [one.refused for one in got] == [""] * 4
        assert [event["type"] for event in receiver.events(4)] == [
            "strikewatch.alert.raised",
            "strikewatch.alert.raised",
            "strikewatch.alert.escalated",
            "strikewatch.alert.cleared",
        ]
        assert receiver.events(1)[0]["data"] == change(1, "raised").record
        assert got[0].headers["content-type"] == webhook.CONTENT_TYPE
        assert len({one.port for one in got}) == 1
        assert yard.rows()[0] == ("sent", 1, "HTTP 200")


def test_a_failed_message_comes_again_under_its_name_and_a_new_time(path: Path, clock: Clock) -> None:
    with Receiver(KEY, [500, 302, 200], clock.wall_s) as receiver, yard_with(path, clock, receiver) as yard:
        yard.tell((1, "raised"))
        receiver.wait_for(1)
        yard.until(lambda: yard.rows() == [("waiting", 1, "HTTP 500")])
        assert yard.rows("due_ns") == [(START + 5 * SECOND,)]
        yard.advance(4.999)
        time.sleep(0.05)
        assert len(receiver.received) == 1
        yard.advance(0.001)
        receiver.wait_for(2)
        yard.until(lambda: yard.rows() == [("waiting", 2, "HTTP 302")])
        yard.advance(30)
        first, _, last = receiver.wait_for(3)
        yard.until(lambda: yard.rows() == [("sent", 3, "HTTP 200")])
        assert (first.name, first.body) == (last.name, last.body)
        assert int(last.headers["webhook-timestamp"]) == int(first.headers["webhook-timestamp"]) + 35
        assert last.refused == ""


def test_a_later_step_waits_for_an_earlier_one_but_other_alerts_do_not(path: Path, clock: Clock) -> None:
    with Receiver(KEY, [503, 200], clock.wall_s) as receiver, yard_with(path, clock, receiver) as yard:
        yard.tell((1, "raised"))
        receiver.wait_for(1)
        yard.tell((1, "cleared"), (2, "raised"))
        receiver.wait_for(2)
        yard.until(lambda: [state for state, *_ in yard.rows()] == ["waiting", "waiting", "sent"])
        yard.advance(5)
        told = [f"{event['data']['hammer']} {event['type'].split('.')[2]}" for event in receiver.events(4)]
        assert told == ["HB-01 raised", "HB-02 raised", "HB-01 raised", "HB-01 cleared"]


def test_retries_survive_a_restart(path: Path, clock: Clock) -> None:
    """The attempts made so far and the due time do; what came while the courier was away goes at once."""
    with Receiver(KEY, [503, 503, 200], clock.wall_s) as receiver, yard_with(path, clock, receiver) as yard:
        yard.tell((1, "raised"))
        receiver.wait_for(1)
        yard.until(lambda: yard.rows()[0][1] == 1)
        yard.restart()
        time.sleep(0.05)
        assert len(receiver.received) == 1
        yard.advance(5)
        receiver.wait_for(2)
        yard.until(lambda: yard.rows() == [("waiting", 2, "HTTP 503")])
        yard.restart()
        yard.advance(29)
        yard.tell((2, "raised"))
        receiver.wait_for(3)
        yard.advance(1)
        got = receiver.wait_for(4)
        assert got[0].name == got[1].name == got[3].name != got[2].name
        yard.until(lambda: yard.rows() == [("sent", 3, "HTTP 200"), ("sent", 1, "HTTP 200")])


def test_a_wall_clock_set_back_holds_nothing_up(path: Path, clock: Clock) -> None:
    with Receiver(KEY, [503, 200], clock.wall_s) as receiver, yard_with(path, clock, receiver) as yard:
        yard.tell((1, "raised"))
        receiver.wait_for(1)
        yard.until(lambda: yard.rows()[0][1] == 1)
        clock.now -= 10**6 * SECOND
        yard.tell((2, "raised"))
        receiver.wait_for(2)
        yard.advance(5)
        receiver.wait_for(3)


def test_new_messages_of_a_clock_that_was_ahead_go_at_once_after_a_restart(path: Path, clock: Clock) -> None:
    with Receiver(KEY, now_s=clock.wall_s) as receiver, yard_with(path, clock, receiver) as yard:
        yard.courier.stop()
        clock.now += 10**6 * SECOND
        yard.tell((1, "raised"))
        clock.now -= 10**6 * SECOND
        yard.restart()
        receiver.wait_for(1)


def test_after_the_last_wait_a_message_is_parked_and_its_line_moves_on(path: Path, clock: Clock) -> None:
    waits = {"retry_s": (5, 10)}
    script = [500, 500, 500, 200]
    with Receiver(KEY, script, clock.wall_s) as receiver, yard_with(path, clock, receiver, **waits) as yard:
        yard.tell((1, "raised"), (1, "cleared"))
        for n, wait_s in enumerate((0, 5, 10), start=1):
            yard.advance(wait_s)
            receiver.wait_for(n)
            yard.until(lambda n=n: yard.rows()[0][1] == n)
        receiver.wait_for(4)
        yard.until(lambda: yard.rows() == [("parked", 3, "HTTP 500"), ("sent", 1, "HTTP 200")])
        assert yard.rows("finished_ns") == [(clock.now,), (clock.now,)]
        yard.restart()
        yard.advance(10**6)
        time.sleep(0.05)
        assert len(receiver.received) == 4


def test_410_switches_the_endpoint_off_for_good_and_no_other(path: Path, clock: Clock) -> None:
    with (
        Receiver(KEY, [410, 200], clock.wall_s) as gone,
        Receiver(KEY, now_s=clock.wall_s) as other,
        yard_with(path, clock, gone, other) as yard,
    ):
        yard.tell((1, "raised"), (1, "cleared"), (2, "raised"))
        other.wait_for(3)
        yard.until(lambda: "end0" in yard.courier.off)
        yard.tell((3, "raised"))
        other.wait_for(4)
        yard.restart()
        assert yard.courier.off == {"end0": courier_module.GONE}
        yard.tell((4, "raised"))
        other.wait_for(5)
        yard.until(lambda: Outbox(yard.store, "end1").counts() == {"sent": 5})
        assert Outbox(yard.store, "end0").counts() == {"parked": 5}
        assert len(gone.received) == 1
        assert yard.courier.failure is None


@pytest.mark.parametrize(
    ("header", "wait_s"),
    [
        ("60", 60),
        (format_datetime(datetime.fromtimestamp(START / SECOND + 90, UTC), usegmt=True), 90),
        ("2", 5),
        ("soon", 5),
        ("-1", 5),
        ("9" * 400, 7 * 86_400),
    ],
)
def test_retry_after_lengthens_the_wait(path: Path, clock: Clock, header: str, wait_s: int) -> None:
    script = [Answer(429, {"retry-after": header}), Answer(200)]
    with Receiver(KEY, script, clock.wall_s) as receiver, yard_with(path, clock, receiver) as yard:
        yard.tell((1, "raised"))
        receiver.wait_for(1)
        yard.until(lambda: yard.rows() == [("waiting", 1, "HTTP 429")])
        assert yard.rows("due_ns") == [(START + wait_s * SECOND,)]
        yard.restart()
        yard.advance(wait_s - 0.001)
        time.sleep(0.05)
        assert len(receiver.received) == 1
        yard.advance(0.001)
        receiver.wait_for(2)


def test_a_slow_endpoint_holds_up_no_other(path: Path, clock: Clock) -> None:
    slow_script = [Answer(200, wait_s=3)]
    with (
        Receiver(KEY, slow_script, clock.wall_s) as slow,
        Receiver(KEY, now_s=clock.wall_s) as quick,
        yard_with(path, clock, slow, quick, timeout_s=0.5) as yard,
    ):
        yard.tell((1, "raised"))
        slow.wait_for(1)
        for n in range(2, 12):
            yard.tell((n, "raised"))
        quick.wait_for(11)
        yard.until(lambda: "Timeout" in str(yard.rows()[0][2]))


def test_no_answer_at_all_is_a_failure_and_one_on_a_kept_connection_is_tried_anew(
    path: Path, clock: Clock
) -> None:
    script = [
        Answer(200),
        Answer(hang_up=True),
        Answer(200),
        Answer(hang_up=True),
        Answer(hang_up=True),
        Answer(200),
    ]
    with Receiver(KEY, script, clock.wall_s) as receiver, yard_with(path, clock, receiver) as yard:
        for n in (1, 2, 3):
            yard.tell((n, "raised"))
            yard.until(lambda n=n: len(yard.rows()) == n and yard.rows()[-1][1] == 1)
        assert [state for state, *_ in yard.rows()] == ["sent", "sent", "waiting"]
        got = receiver.wait_for(5)
        assert got[1].name == got[2].name
        yard.advance(5)
        receiver.wait_for(6)


def test_an_endpoint_that_is_not_there_is_told_apart(path: Path, clock: Clock) -> None:
    with Receiver(KEY) as receiver:
        pass
    with yard_with(path, clock, receiver) as yard:
        yard.tell((1, "raised"))
        yard.until(lambda: yard.rows()[0][1] == 1)
        assert "Connection refused" in yard.rows()[0][2]
        assert yard.courier.failure is None


def test_a_chatty_answer_is_cut_off_and_still_counts(path: Path, clock: Clock) -> None:
    script = [Answer(200, body=b"x" * 5_000_000), Answer(200, body=b"fine"), Answer(204)]
    with Receiver(KEY, script, clock.wall_s) as receiver, yard_with(path, clock, receiver) as yard:
        for n in (1, 2, 3):
            yard.tell((n, "raised"))
            receiver.wait_for(n)
        yard.until(lambda: [state for state, *_ in yard.rows()] == ["sent"] * 3)
        ports = [one.port for one in receiver.received]
        assert ports[0] != ports[1] == ports[2]


def test_an_unwritten_outcome_repeats_the_message_under_its_name(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A crash between the attempt and the note of it; the dead worker is seen, by the callback too."""
    with Receiver(KEY, now_s=clock.wall_s) as receiver, yard_with(path, clock, receiver) as yard:

        def broken(_: Outbox, outcomes: Sequence[Outcome]) -> None:
            if outcomes:
                raise StoreError("the disk is full")

        with monkeypatch.context() as patch:
            patch.setattr(Outbox, "settle", broken)
            yard.tell((1, "raised"))
            yard.until(lambda: bool(yard.failed))
        assert str(yard.courier.failure) == "the disk is full"
        assert yard.failed == [yard.courier.failure]
        yard.restart()
        first, second = receiver.wait_for(2)
        assert (first.name, first.body) == (second.name, second.body)


def test_a_long_backlog_is_drained(path: Path, clock: Clock) -> None:
    with Receiver(KEY, now_s=clock.wall_s) as receiver, yard_with(path, clock, receiver) as yard:
        yard.courier.stop()
        for k in range(3):
            yard.tell(*((n, "raised") for n in range(k * 70, k * 70 + 70)))
        yard.restart()
        receiver.wait_for(210)
        yard.until(lambda: Outbox(yard.store, "end0").counts() == {"sent": 210})
        assert len(receiver.names) == 210


def test_a_long_row_of_messages_not_yet_due_hides_no_new_one(path: Path, clock: Clock) -> None:
    script = [500] * (PAGE + 1) + [200]
    waits = {"retry_s": (600,)}
    with Receiver(KEY, script, clock.wall_s) as receiver, yard_with(path, clock, receiver, **waits) as yard:
        yard.tell(*((n, "raised") for n in range(PAGE + 1)))
        yard.until(lambda: all(attempts == 1 for _, attempts, _ in yard.rows()))
        yard.courier.stop()
        yard.tell((PAGE + 1, "raised"))
        yard.restart()
        receiver.wait_for(PAGE + 2)
        yard.until(lambda: yard.rows()[-1][0] == "sent")


def test_a_clean_stop_leaves_no_outcome_unwritten(path: Path, clock: Clock) -> None:
    with Receiver(KEY, now_s=clock.wall_s) as receiver, yard_with(path, clock, receiver) as yard:
        for n in range(5):
            yard.tell((n, "raised"))
            receiver.wait_for(n + 1)
            yard.courier.stop()
            assert yard.rows()[-1] == ("sent", 1, "HTTP 200")
            yard.restart()


def test_waits_are_lengthened_by_chance_within_bounds(path: Path, clock: Clock) -> None:
    with Receiver(KEY, [500], clock.wall_s) as receiver, yard_with(path, clock, receiver, jitter=0.2) as yard:
        yard.tell(*((n, "raised") for n in range(20)))
        yard.until(lambda: all(attempts == 1 for _, attempts, _ in yard.rows()))
        waits = [(due - START) / SECOND for (due,) in yard.rows("due_ns")]
        assert all(5 <= wait <= 6 for wait in waits)
        assert max(waits) - min(waits) > 0.1


def test_a_missing_secret_is_told_before_anything_starts(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("YARD_SECRET")
    store = Store(path)
    endpoint = webhook.Settings(name="end0", url="http://127.0.0.1:1/", secret_env="YARD_SECRET")
    with pytest.raises(SettingsError, match="YARD_SECRET"):
        Courier(store, [endpoint], clock.wall, clock.monotonic)
    store.close()
