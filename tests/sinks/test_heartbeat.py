"""The heartbeat is signed, sent only while the processor is healthy, and never sent late."""

import threading
from collections.abc import Mapping
from typing import Any

import pytest

from strikewatch.errors import SettingsError
from strikewatch.sinks.heartbeat import TYPE, Heartbeat
from strikewatch.sinks.settings import HeartbeatSettings
from tests.receiver import Receiver
from tests.sinks.bench import KEY, LOOPBACK, START, Clock


class HeartbeatBench:
    """A heartbeat whose time passes only when the test advances it."""

    def __init__(self, url: str, clock: Clock) -> None:
        self.health: Mapping[str, Any] | None = {"messages": 7}
        self.failed: list[BaseException] = []
        self.beats = 0
        self._go, self._went = threading.Semaphore(0), threading.Semaphore(0)
        self._over = False
        settings = HeartbeatSettings(url=url, secret_env="BENCH_SECRET", every_s=30, allow_private=LOOPBACK)
        self.heart = Heartbeat(settings, self._healthy, clock.wall, self._wait, self.failed.append)

    def _wait(self, seconds: float) -> bool:
        assert seconds == 30
        self._went.release()
        self._go.acquire()
        return self._over

    def _healthy(self) -> Mapping[str, Any] | None:
        self.beats += 1
        if isinstance(self.health, Exception):
            raise self.health
        return self.health

    def start(self) -> None:
        self.heart.start()
        self._went.acquire()

    def pass_time(self) -> None:
        """Let one period pass, and wait until what it brings is done."""
        self._go.release()
        self._went.acquire()

    def stop(self) -> None:
        self._over = True
        self._go.release()
        self.heart.join()


def test_signed_heartbeats_are_sent_only_while_healthy(clock: Clock) -> None:
    with Receiver(KEY, now_s=clock.wall_s) as receiver:
        patient = HeartbeatBench(receiver.url, clock)
        patient.start()
        patient.pass_time()
        clock.advance(30)
        patient.pass_time()
        first, second = receiver.events(2)
        assert first["type"] == second["type"] == TYPE
        assert first["data"] == {"every_s": 30.0, "messages": 7}
        assert (first["time"], second["time"]) == (
            "2026-03-04T07:15:00.000000Z",
            "2026-03-04T07:15:30.000000Z",
        )
        assert first["id"] != second["id"]
        patient.health = None
        patient.pass_time()
        patient.pass_time()
        assert len(receiver.received) == 2
        patient.health = {}
        patient.pass_time()
        receiver.wait_for(3)
        patient.stop()
        assert patient.failed == []


def test_an_undelivered_heartbeat_is_not_retried(clock: Clock) -> None:
    """Each period has its own heartbeat; none is sent late."""
    with Receiver(KEY, [500, 500, 200], clock.wall_s) as receiver:
        patient = HeartbeatBench(receiver.url, clock)
        patient.start()
        for _ in range(3):
            clock.advance(30)
            patient.pass_time()
        patient.stop()
        got = receiver.wait_for(3)
        assert len({one.name for one in got}) == len(receiver.received) == 3
        stamps = [int(one.headers["webhook-timestamp"]) - START // 10**9 for one in got]
        assert stamps == [30, 60, 90]


def test_no_heartbeat_is_sent_after_a_410(clock: Clock) -> None:
    with Receiver(KEY, [410], clock.wall_s) as receiver:
        patient = HeartbeatBench(receiver.url, clock)
        patient.start()
        patient._go.release()
        patient.heart.join()
        assert len(receiver.received) == 1
        assert patient.failed == []


def test_an_error_that_ends_the_heartbeat_thread_is_reported(clock: Clock) -> None:
    patient = HeartbeatBench("http://127.0.0.1:1/", clock)
    patient.health = RuntimeError("broken")  # type: ignore[assignment]  # raised instead
    patient.start()
    patient._go.release()
    patient.heart.join()
    assert [str(one) for one in patient.failed] == ["broken"]


def test_a_missing_secret_is_reported_at_start_up(clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("BENCH_SECRET")
    with pytest.raises(SettingsError, match="heartbeat secret_env"):
        HeartbeatBench("https://x.test/", clock)
