"""Health checks, metrics and pings to systemd are true."""

import socket
from pathlib import Path

import pytest

from strikewatch.service.status import SystemdNotifier
from strikewatch.web.live.worker_stats import FRESH_S, WorkerStats
from tests.web.site import site


def test_not_ready_without_broker_or_database_and_says_why(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        assert server.request("GET", "/readyz").json == {"ready": True, "reasons": []}
        server.broker[0] = False
        response = server.request("GET", "/readyz")
        assert (response.status, response.json["reasons"]) == (503, ["the broker is not connected"])
        assert server.request("GET", "/healthz").status == 200
        server.broker[0] = True
        server.stats.record_blocked()
        response = server.request("GET", "/readyz")
        assert (response.status, response.json["reasons"]) == (503, ["the database refuses to be written"])
        server.stats.record_turn()
        server.stats.begin_step(31.0)
        assert server.request("GET", "/readyz").json["reasons"] == ["messages have waited for more than 30 s"]


def test_a_stopped_worker_is_not_alive() -> None:
    now = [0.0]
    stats = WorkerStats(lambda: now[0])
    assert not stats.alive
    stats.record_turn()
    now[0] = FRESH_S - 0.1
    assert stats.alive
    now[0] = FRESH_S
    assert not stats.alive
    stats.record_blocked()
    assert stats.alive


def test_metrics_match_the_store_and_the_worker(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        server.stats.begin_step(0.0)
        server.stats.end_step()
        server.token("Ada", "view")
        text = server.request("GET", "/metrics").text
    for sock in (
        "strikewatch_messages_total 7.0",
        'strikewatch_unused_total{reason="duplicate"} 3.0',
        'strikewatch_open_alerts{priority="medium"} 1.0',
        'strikewatch_open_alerts{priority="high"} 0.0',
        "strikewatch_step_seconds_count 1.0",
        "strikewatch_broker_connected 1.0",
    ):
        assert sock in text.splitlines()


def test_systemd_gets_pings_only_while_the_worker_turns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [100.0]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind(str(tmp_path / "notify"))
        sock.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))

        def heard() -> list[bytes]:
            found = []
            while True:
                try:
                    found.append(sock.recv(100))
                except BlockingIOError:
                    return found

        supervisor = SystemdNotifier(lambda: now[0])
        assert heard() == []
        supervisor.alive()
        assert heard() == [b"READY=1", b"WATCHDOG=1"]
        supervisor.alive()
        assert heard() == []
        now[0] += 1.0
        supervisor.alive()
        assert heard() == [b"WATCHDOG=1"]
        now[0] += 60.0  # the worker stands
        assert heard() == []
        supervisor.stopping()
        assert heard() == [b"STOPPING=1"]
