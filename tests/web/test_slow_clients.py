"""Slow clients and many connections: each is limited in time, all in number, and a request is still answered."""

import http.client
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import pytest
import structlog

from strikewatch.core.instant import SECOND
from strikewatch.web import server as http_server
from strikewatch.web.live import stream
from strikewatch.web.settings import networks
from tests.waiting import until
from tests.web.site import NOW, Site, site

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
        socket.create_connection(("127.0.0.1", server.port), timeout=60) as connection,
    ):
        assert connection.recv(1) == b""


def test_a_connection_in_use_is_kept(tmp_path: Path) -> None:
    """Requests one after the other over one connection, for longer than one may take."""
    with site(tmp_path, timeout_s=3.0) as server:
        connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=60)
        connection.connect()
        first = connection.sock
        for _ in range(7):
            connection.request("GET", "/healthz")
            response = connection.getresponse()
            assert (response.status, response.read()) == (200, b'{"alive":true}')
            assert connection.sock is first
            time.sleep(0.5)
        connection.close()


HALF = b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-Slow: "
GET = b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n"
STREAM = b"GET /stream HTTP/1.1\r\nHost: localhost\r\n\r\n"


@contextmanager
def connected(port: int, count: int, first: bytes, receive_bytes: int = 0) -> Iterator[list[socket.socket]]:
    """Connections that send `first` and never read."""
    with ExitStack() as stack:
        lines = []
        for _ in range(count):
            line = stack.enter_context(socket.socket())
            if receive_bytes:
                line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
            line.settimeout(60)
            line.connect(("127.0.0.1", port))
            line.sendall(first)
            lines.append(line)
        yield lines


def established(line: socket.socket) -> bool:
    """Whether a connection exists, without reading from it (Linux, tcp(7): TCP_INFO begins with the state)."""
    return line.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 1)[0] == 1


def responds(server: Site) -> bool:
    try:
        return server.request("GET", "/healthz").status == 200
    except (OSError, http.client.HTTPException):
        return False


@pytest.mark.parametrize(
    "first", [b"", HALF, GET, b"POST /sign-in HTTP/1.1\r\nHost: a\r\nContent-Length: 9\r\n\r\nx"]
)
def test_any_number_of_waiting_connections_leaves_room_for_a_request(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, first: bytes
) -> None:
    """Nothing sent, half a head, an idle connection, half a body; the oldest are closed for the new ones."""
    monkeypatch.setattr(http_server, "MOST_CONNECTIONS", 20)
    monkeypatch.setattr(http_server, "MOST_PER_CLIENT", 20)
    with site(tmp_path, timeout_s=60.0) as server, connected(server.port, 100, first) as lines:
        until(lambda: responds(server))  # once the requests among them are answered
        until(lambda: sum(map(established, lines)) <= 20)
        if first != GET:  # a request in progress is not closed
            assert not any(map(established, lines[:70])), "the oldest are closed first"


def test_a_client_is_limited_before_the_total_is_used_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(http_server, "MOST_PER_CLIENT", 10)
    with (
        site(tmp_path) as server,
        socket.create_connection(("127.0.0.1", server.port), source_address=("127.0.0.9", 0)) as own,
        connected(server.port, 30, HALF) as lines,
    ):
        assert server.request("GET", "/healthz").status == 200
        until(lambda: sum(map(established, lines)) <= 10)
        own.sendall(GET)
        assert own.recv(100).startswith(b"HTTP/1.1 200 ")


def test_requests_in_progress_are_not_closed_for_new_connections(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Readers of the stream that read stay; a connection too many is closed."""
    monkeypatch.setattr(http_server, "MOST_CONNECTIONS", 5)
    with site(tmp_path) as server, connected(server.port, 5, STREAM) as readers:
        for reader in readers:
            assert reader.recv(15) == b"HTTP/1.1 200 OK"
        with (
            suppress(ConnectionError),  # it may be closed before it has connected
            socket.create_connection(("127.0.0.1", server.port), timeout=60) as line,
        ):
            assert line.recv(1) == b""
        assert all(map(established, readers))
        readers[0].close()
        until(lambda: responds(server))


def test_a_reader_of_the_stream_that_does_not_read_is_disconnected(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once its buffers are full, it has the time limit; one that reads goes on."""
    monkeypatch.setattr(http_server, "SEND_BUFFER_BYTES", 4096)
    monkeypatch.setattr(http_server, "WRITE_BUFFER_BYTES", 4096)
    monkeypatch.setattr(stream, "PERIOD_S", 0.01)
    with (
        site(tmp_path, timeout_s=LIMIT_S) as server,
        connected(server.port, 3, STREAM, 1) as stalled,
        socket.create_connection(("127.0.0.1", server.port), timeout=60) as honest,
    ):
        honest.sendall(STREAM)
        came = 0
        for k in range(1000):
            if not any(map(established, stalled)):
                break
            server.work(NOW + k * SECOND)
            came += len(honest.recv(65_536))
        assert not any(map(established, stalled))
        assert came > 4096
        assert established(honest)
        assert server.request("GET", "/healthz").status == 200


def test_a_page_that_is_not_read_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(http_server, "SEND_BUFFER_BYTES", 4096)
    monkeypatch.setattr(http_server, "WRITE_BUFFER_BYTES", 4096)
    with (
        site(tmp_path, timeout_s=LIMIT_S) as server,
        connected(server.port, 3, b"GET /guide/faults HTTP/1.1\r\nHost: localhost\r\n\r\n", 1) as stalled,
    ):
        until(lambda: not any(map(established, stalled)))
        assert server.request("GET", "/healthz").status == 200


def test_a_head_that_is_too_large_is_refused(tmp_path: Path) -> None:
    with site(tmp_path) as server, connected(server.port, 1, HALF + b"x" * 100_000) as (line,):
        assert line.recv(100).startswith((b"HTTP/1.1 400", b"HTTP/1.1 431"))
        assert server.request("GET", "/healthz").status == 200


def test_a_body_without_end_is_refused_and_read_no_further(tmp_path: Path) -> None:
    """The answer can be read, and then the connection is closed."""
    head = b"POST /sign-in HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n"
    chunk = b"10000\r\n" + b"x" * 65_536 + b"\r\n"
    with site(tmp_path, timeout_s=60.0) as server, connected(server.port, 1, head + 2 * chunk) as (line,):
        assert line.recv(100).startswith(b"HTTP/1.1 413")
        with pytest.raises(ConnectionError):
            line.sendall(1000 * chunk)
        assert server.request("GET", "/healthz").status == 200


def test_connections_that_are_closed_are_reported_once_a_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    now_s = [0.0]
    monkeypatch.setattr(http_server, "MOST_CONNECTIONS", 3)
    all_open = http_server.Connections((), lambda: now_s[0])
    with structlog.testing.capture_logs() as lines:
        for k in range(20):
            all_open.add(Fake(f"192.0.2.{k}"))  # type: ignore[arg-type]
        now_s[0] = 61.0
        all_open.add(Fake("192.0.2.99"))  # type: ignore[arg-type]
    assert len(all_open) == 3
    assert [line["closed"] for line in lines] == [1, 17]


@pytest.mark.parametrize(("proxies", "left"), [((), 4), (("10.1.0.0/16",), 6)])
def test_all_clients_of_a_configured_proxy_share_only_the_total(
    monkeypatch: pytest.MonkeyPatch, proxies: tuple[str, ...], left: int
) -> None:
    monkeypatch.setattr(http_server, "MOST_PER_CLIENT", 4)
    all_open = http_server.Connections(networks(proxies), lambda: 0.0)
    for _ in range(6):
        all_open.add(Fake("10.1.0.5"))  # type: ignore[arg-type]
    assert len(all_open) == left


def test_the_client_with_the_most_connections_loses_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(http_server, "MOST_CONNECTIONS", 6)
    all_open = http_server.Connections((), lambda: 0.0)
    one = Fake("192.0.2.1")
    many = [Fake("192.0.2.2") for _ in range(5)]
    new = Fake("192.0.2.3")
    for each in (one, *many, new):
        all_open.add(each)  # type: ignore[arg-type]
    assert [each.aborted for each in (one, *many, new)] == [False, True, *[False] * 5]


class Fake:
    """A connection that waits."""

    waits = True

    def __init__(self, address: str) -> None:
        self.client = (address, 4711)
        self.aborted = False

    def abort(self) -> None:
        self.aborted = True
