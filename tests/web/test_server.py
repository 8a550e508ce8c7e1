"""The server: health checks, metrics and systemd pings are true; slow requests are cut off at the time limit."""

import http.client
import socket
import time
from pathlib import Path

import pytest

from strikewatch.service.status import SystemdNotifier
from strikewatch.web.live.worker_stats import FRESH_S, WorkerStats
from tests.web.site import Site, site


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


LIMIT_S = 0.5
PAUSE_S = 0.05
MANY = 1000
"""Bytes to come: a hundred times what fits into the limit."""


def send_slowly(server: Site, first: bytes, part: bytes) -> tuple[bytes, int]:
    """Return the response until the connection closes, and how many single bytes were sent by then."""
    with socket.create_connection(("127.0.0.1", server.port), timeout=PAUSE_S) as connection:
        connection.sendall(first)
        answer = b""
        for sent in range(MANY):
            try:
                response = connection.recv(65_536)
            except TimeoutError:
                connection.sendall(part)
                continue
            except ConnectionError:
                return answer, sent
            if not response:
                return answer, sent
            answer += response
            time.sleep(PAUSE_S)
    return answer, MANY


def test_a_slow_body_is_answered_with_408(tmp_path: Path) -> None:
    with site(tmp_path, timeout_s=LIMIT_S) as server:
        head = (
            f"POST /api/v1/alerts/{server.alert}/acknowledge HTTP/1.1\r\nHost: 127.0.0.1\r\n"
            f"Authorization: Bearer {server.token('Ada', 'act')}\r\nContent-Type: application/json\r\n"
            f"Content-Length: {MANY}\r\n\r\n"
        )
        answer, sent = send_slowly(server, head.encode(), b" ")
        assert answer.startswith(b"HTTP/1.1 408 ")
        assert b'"remedy"' in answer
        assert sent < MANY
        assert server.request("GET", "/healthz").status == 200


@pytest.mark.parametrize(
    "first", [b"", b"GET /healthz HTTP/1.1\r\nX-", b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\nGET /he"]
)
def test_a_slow_head_is_disconnected(tmp_path: Path, first: bytes) -> None:
    """From the beginning, amid a header, and in the second request of a connection."""
    with site(tmp_path, timeout_s=LIMIT_S) as server:
        answer, sent = send_slowly(server, first, b"x")
        assert answer.count(b"HTTP/1.1 200 ") == first.count(b"\r\n\r\n")
        assert sent < MANY


def test_a_silent_connection_is_closed(tmp_path: Path) -> None:
    with (
        site(tmp_path, timeout_s=LIMIT_S) as server,
        socket.create_connection(("127.0.0.1", server.port), timeout=20) as connection,
    ):
        assert connection.recv(1) == b""


def test_a_connection_in_use_is_kept(tmp_path: Path) -> None:
    """Requests one after the other over one connection, for longer than one may take."""
    with site(tmp_path, timeout_s=LIMIT_S) as server:
        connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)
        connection.connect()
        first = connection.sock
        for _ in range(6):
            connection.request("GET", "/healthz")
            response = connection.getresponse()
            assert (response.status, response.read()) == (200, b'{"alive":true}')
            assert connection.sock is first
            time.sleep(LIMIT_S / 3)
        connection.close()
