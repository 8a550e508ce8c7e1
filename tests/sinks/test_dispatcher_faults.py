"""Faults of endpoints, disks and settings do not make the dispatcher lose a message."""

from collections.abc import Sequence
from pathlib import Path

import pytest

from strikewatch.errors import SettingsError, StoreError
from strikewatch.sinks.settings import WebhookSettings
from strikewatch.sinks.webhook import webhook_endpoint
from strikewatch.storage.outbox.messages import Outbox
from strikewatch.storage.outbox.outcomes import Outcome
from tests.receiver import Answer, Receiver
from tests.sinks.bench import KEY, Clock, bench_with


def test_a_slow_endpoint_delays_no_other(path: Path, clock: Clock) -> None:
    slow_script = [Answer(200, wait_s=3)]
    with (
        Receiver(KEY, slow_script, clock.wall_s) as slow,
        Receiver(KEY, now_s=clock.wall_s) as quick,
        bench_with(path, clock, slow, quick, timeout_s=0.5) as bench,
    ):
        bench.commit((1, "raised"))
        slow.wait_for(1)
        for n in range(2, 12):
            bench.commit((n, "raised"))
        quick.wait_for(11)
        bench.until(lambda: "Timeout" in str(bench.rows()[0][2]))


def test_no_response_is_a_failure_and_a_closed_kept_connection_is_reopened(path: Path, clock: Clock) -> None:
    script = [
        Answer(200),
        Answer(hang_up=True),
        Answer(200),
        Answer(hang_up=True),
        Answer(hang_up=True),
        Answer(200),
    ]
    with Receiver(KEY, script, clock.wall_s) as receiver, bench_with(path, clock, receiver) as bench:
        for n in (1, 2, 3):
            bench.commit((n, "raised"))
            bench.until(lambda n=n: len(bench.rows()) == n and bench.rows()[-1][1] == 1)
        assert [state for state, *_ in bench.rows()] == ["sent", "sent", "waiting"]
        got = receiver.wait_for(5)
        assert got[1].name == got[2].name
        bench.advance(5)
        receiver.wait_for(6)


def test_an_unreachable_endpoint_is_reported_as_such(path: Path, clock: Clock) -> None:
    with Receiver(KEY) as receiver:
        pass
    with bench_with(path, clock, receiver) as bench:
        bench.commit((1, "raised"))
        bench.until(lambda: bench.rows()[0][1] == 1)
        assert "Connection refused" in bench.rows()[0][2]
        assert bench.dispatcher.failure is None


def test_an_overlong_response_is_cut_off_and_its_status_counts(path: Path, clock: Clock) -> None:
    script = [Answer(200, body=b"x" * 5_000_000), Answer(200, body=b"fine"), Answer(204)]
    with Receiver(KEY, script, clock.wall_s) as receiver, bench_with(path, clock, receiver) as bench:
        for n in (1, 2, 3):
            bench.commit((n, "raised"))
            receiver.wait_for(n)
        bench.until(lambda: [state for state, *_ in bench.rows()] == ["sent"] * 3)
        ports = [one.port for one in receiver.received]
        assert ports[0] != ports[1] == ports[2]


def test_a_message_whose_outcome_was_not_stored_is_repeated_with_the_same_id(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A crash between the attempt and its record; the dead thread is reported."""
    with Receiver(KEY, now_s=clock.wall_s) as receiver, bench_with(path, clock, receiver) as bench:

        def broken(_: Outbox, outcomes: Sequence[Outcome]) -> None:
            if outcomes:
                raise StoreError("the disk is full")

        with monkeypatch.context() as patch:
            patch.setattr(Outbox, "record_outcomes", broken)
            bench.commit((1, "raised"))
            bench.until(lambda: bool(bench.failed))
        assert str(bench.dispatcher.failure) == "the disk is full"
        assert bench.failed == [bench.dispatcher.failure]
        bench.restart()
        first, second = receiver.wait_for(2)
        assert (first.name, first.body) == (second.name, second.body)


def test_a_clean_stop_leaves_no_outcome_unwritten(path: Path, clock: Clock) -> None:
    with Receiver(KEY, now_s=clock.wall_s) as receiver, bench_with(path, clock, receiver) as bench:
        for n in range(5):
            bench.commit((n, "raised"))
            receiver.wait_for(n + 1)
            bench.dispatcher.stop()
            assert bench.rows()[-1] == ("sent", 1, "HTTP 200")
            bench.restart()


def test_a_missing_secret_is_reported_before_anything_starts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("BENCH_SECRET")
    endpoint = WebhookSettings(name="end0", url="http://127.0.0.1:1/", secret_env="BENCH_SECRET")
    with pytest.raises(SettingsError, match="BENCH_SECRET"):
        webhook_endpoint(endpoint)
