"""A request that arrives byte by byte is answered or disconnected within the time limit."""

import http.client
import socket
import time
from pathlib import Path

import pytest

from tests.web.site import Site, site

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
