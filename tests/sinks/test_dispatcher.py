"""Order and retries of the dispatcher, against a real HTTP server and a real database, with test clocks."""

from datetime import UTC, datetime
from email.utils import format_datetime
from pathlib import Path

import pytest

from strikewatch.core.instant import SECOND
from strikewatch.sinks import webhook
from strikewatch.sinks.delivery_loop import BLOCKED, GONE
from strikewatch.sinks.settings import WebhookSettings
from strikewatch.storage.outbox.messages import PAGE_SIZE, Outbox
from tests.receiver import Answer, Receiver
from tests.sinks.bench import KEY, START, Clock, bench_with, change


def test_changes_arrive_signed_in_order_over_one_connection(path: Path, clock: Clock) -> None:
    with Receiver(KEY, now_s=clock.wall_s) as receiver, bench_with(path, clock, receiver) as bench:
        bench.commit((1, "raised"), (2, "raised"))
        receiver.wait_for(2)
        bench.commit((1, "escalated"), (1, "cleared"))
        got = receiver.wait_for(4)
        bench.until(lambda: [state for state, *_ in bench.rows()] == ["sent"] * 4)
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
        assert bench.rows()[0] == ("sent", 1, "HTTP 200")


def test_a_failed_message_is_retried_with_the_same_id_and_a_new_timestamp(path: Path, clock: Clock) -> None:
    with Receiver(KEY, [500, 302, 200], clock.wall_s) as receiver, bench_with(path, clock, receiver) as bench:
        bench.commit((1, "raised"))
        receiver.wait_for(1)
        bench.until(lambda: bench.rows() == [("waiting", 1, "HTTP 500")])
        assert bench.rows("due_ns") == [(START + 5 * SECOND,)]
        bench.advance(4.999)
        bench.settle()
        assert len(receiver.received) == 1
        bench.advance(0.001)
        receiver.wait_for(2)
        bench.until(lambda: bench.rows() == [("waiting", 2, "HTTP 302")])
        bench.advance(30)
        first, _, last = receiver.wait_for(3)
        bench.until(lambda: bench.rows() == [("sent", 3, "HTTP 200")])
        assert (first.name, first.body) == (last.name, last.body)
        assert int(last.headers["webhook-timestamp"]) == int(first.headers["webhook-timestamp"]) + 35
        assert last.refused == ""


def test_a_later_step_waits_for_an_earlier_one_but_other_alerts_do_not(path: Path, clock: Clock) -> None:
    with Receiver(KEY, [503, 200], clock.wall_s) as receiver, bench_with(path, clock, receiver) as bench:
        bench.commit((1, "raised"))
        receiver.wait_for(1)
        bench.commit((1, "cleared"), (2, "raised"))
        receiver.wait_for(2)
        bench.until(lambda: [state for state, *_ in bench.rows()] == ["waiting", "waiting", "sent"])
        bench.advance(5)
        told = [f"{event['data']['hammer']} {event['type'].split('.')[2]}" for event in receiver.events(4)]
        assert told == ["HB-01 raised", "HB-02 raised", "HB-01 raised", "HB-01 cleared"]


def test_retries_survive_a_restart(path: Path, clock: Clock) -> None:
    """Attempts and due times survive; what was queued while the dispatcher was stopped is sent at once."""
    with Receiver(KEY, [503, 503, 200], clock.wall_s) as receiver, bench_with(path, clock, receiver) as bench:
        bench.commit((1, "raised"))
        receiver.wait_for(1)
        bench.until(lambda: bench.rows()[0][1] == 1)
        bench.restart()
        bench.settle()
        assert len(receiver.received) == 1
        bench.advance(5)
        receiver.wait_for(2)
        bench.until(lambda: bench.rows() == [("waiting", 2, "HTTP 503")])
        bench.restart()
        bench.advance(29)
        bench.commit((2, "raised"))
        receiver.wait_for(3)
        bench.advance(1)
        got = receiver.wait_for(4)
        assert got[0].name == got[1].name == got[3].name != got[2].name
        bench.until(lambda: bench.rows() == [("sent", 3, "HTTP 200"), ("sent", 1, "HTTP 200")])


def test_a_wall_clock_set_back_delays_no_delivery(path: Path, clock: Clock) -> None:
    with Receiver(KEY, [503, 200], clock.wall_s) as receiver, bench_with(path, clock, receiver) as bench:
        bench.commit((1, "raised"))
        receiver.wait_for(1)
        bench.until(lambda: bench.rows()[0][1] == 1)
        clock.now -= 10**6 * SECOND
        bench.commit((2, "raised"))
        receiver.wait_for(2)
        bench.advance(5)
        receiver.wait_for(3)


def test_messages_queued_with_a_fast_clock_are_sent_at_once_after_a_restart(path: Path, clock: Clock) -> None:
    with Receiver(KEY, now_s=clock.wall_s) as receiver, bench_with(path, clock, receiver) as bench:
        bench.dispatcher.stop()
        clock.now += 10**6 * SECOND
        bench.commit((1, "raised"))
        clock.now -= 10**6 * SECOND
        bench.restart()
        receiver.wait_for(1)


def test_after_the_last_retry_a_message_and_all_later_ones_of_its_alert_are_parked(
    path: Path, clock: Clock
) -> None:
    """No `cleared` is sent without its `raised`: neither waiting ones nor later ones, nor after a restart."""
    waits = {"retry_s": (5, 10)}
    script = [500, 500, 500, 200]
    with Receiver(KEY, script, clock.wall_s) as receiver, bench_with(path, clock, receiver, **waits) as bench:
        bench.commit((1, "raised"), (1, "escalated"))
        for n, wait_s in enumerate((0, 5, 10), start=1):
            bench.advance(wait_s)
            receiver.wait_for(n)
            bench.until(lambda n=n: bench.rows()[0][1] == n)
        bench.until(lambda: bench.rows() == [("parked", 3, "HTTP 500"), ("parked", 0, BLOCKED)])
        assert bench.rows("finished_ns") == [(clock.now,), (clock.now,)]
        bench.commit((1, "cleared"), (2, "raised"))
        receiver.wait_for(4)
        bench.until(lambda: [state for state, *_ in bench.rows()] == ["parked"] * 3 + ["sent"])
        bench.restart()
        bench.advance(10**6)
        bench.settle()
        assert len(receiver.received) == 4


def test_the_schedule_of_the_specification_takes_three_days_whatever_restarts(
    path: Path, clock: Clock
) -> None:
    """Standard Webhooks 1.0.0, "Deliverability and reliability": ten attempts, the last after 75:35:05."""
    default = WebhookSettings.model_fields["retry_s"].default
    with (
        Receiver(KEY, [503], clock.wall_s) as receiver,
        bench_with(path, clock, receiver, retry_s=default) as bench,
    ):
        bench.commit((1, "raised"))
        since = []
        for n in range(1, 11):
            got = receiver.wait_for(n)
            bench.until(lambda n=n: bench.rows()[0][1] == n)
            since.append(int(got[-1].headers["webhook-timestamp"]) - START // SECOND)
            bench.restart()
            (due,) = bench.rows("due_ns")[0]
            bench.advance((due - clock.now) / SECOND)
        assert since == [0, 5, 305, 2105, 9305, 27_305, 63_305, 113_705, 185_705, 272_105]
        assert 272_105 == (75 * 60 + 35) * 60 + 5
        bench.until(lambda: bench.rows()[0][0] == "parked")
        assert len(receiver.received) == 10


def test_410_switches_the_endpoint_off_for_good_and_no_other(path: Path, clock: Clock) -> None:
    with (
        Receiver(KEY, [410, 200], clock.wall_s) as gone,
        Receiver(KEY, now_s=clock.wall_s) as other,
        bench_with(path, clock, gone, other) as bench,
    ):
        bench.commit((1, "raised"), (1, "cleared"), (2, "raised"))
        other.wait_for(3)
        bench.until(lambda: "end0" in bench.dispatcher.switched_off)
        bench.commit((3, "raised"))
        other.wait_for(4)
        bench.restart()
        assert bench.dispatcher.switched_off == {"end0": GONE}
        bench.commit((4, "raised"))
        other.wait_for(5)
        bench.until(lambda: Outbox(bench.store, "end1").counts() == {"sent": 5})
        assert Outbox(bench.store, "end0").counts() == {"parked": 5}
        assert len(gone.received) == 1
        assert bench.dispatcher.failure is None


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
    with Receiver(KEY, script, clock.wall_s) as receiver, bench_with(path, clock, receiver) as bench:
        bench.commit((1, "raised"))
        receiver.wait_for(1)
        bench.until(lambda: bench.rows() == [("waiting", 1, "HTTP 429")])
        assert bench.rows("due_ns") == [(START + wait_s * SECOND,)]
        bench.restart()
        bench.advance(wait_s - 0.001)
        bench.settle()
        assert len(receiver.received) == 1
        bench.advance(0.001)
        receiver.wait_for(2)


def test_a_long_backlog_is_sent_completely(path: Path, clock: Clock) -> None:
    with Receiver(KEY, now_s=clock.wall_s) as receiver, bench_with(path, clock, receiver) as bench:
        bench.dispatcher.stop()
        for k in range(3):
            bench.commit(*((n, "raised") for n in range(k * 70, k * 70 + 70)))
        bench.restart()
        receiver.wait_for(210)
        bench.until(lambda: Outbox(bench.store, "end0").counts() == {"sent": 210})
        assert len(receiver.names) == 210


def test_many_messages_not_yet_due_do_not_delay_a_new_one(path: Path, clock: Clock) -> None:
    script = [500] * (PAGE_SIZE + 1) + [200]
    waits = {"retry_s": (600,)}
    with Receiver(KEY, script, clock.wall_s) as receiver, bench_with(path, clock, receiver, **waits) as bench:
        bench.commit(*((n, "raised") for n in range(PAGE_SIZE + 1)))
        bench.until(lambda: all(attempts == 1 for _, attempts, _ in bench.rows()))
        bench.dispatcher.stop()
        bench.commit((PAGE_SIZE + 1, "raised"))
        bench.restart()
        receiver.wait_for(PAGE_SIZE + 2)
        bench.until(lambda: bench.rows()[-1][0] == "sent")


def test_random_jitter_lengthens_waits_within_its_limit(path: Path, clock: Clock) -> None:
    with (
        Receiver(KEY, [500], clock.wall_s) as receiver,
        bench_with(path, clock, receiver, jitter=0.2) as bench,
    ):
        bench.commit(*((n, "raised") for n in range(20)))
        bench.until(lambda: all(attempts == 1 for _, attempts, _ in bench.rows()))
        waits = [(due - START) / SECOND for (due,) in bench.rows("due_ns")]
        assert all(5 <= wait <= 6 for wait in waits)
        assert max(waits) - min(waits) > 0.1
