"""A request that dribbles in byte by byte is answered, or hung up on, within the time allowed, and holds up nobody."""

import socket
import time
from pathlib import Path

import pytest

from tests.web.site import Site, site

LIMIT_S = 0.5
PAUSE_S = 0.05
MANY = 1000
"""Bytes to come: a hundred times what fits into the limit."""


def dribbled(at: Site, first: bytes, one: bytes) -> tuple[bytes, int]:
    """What is answered until the line is closed, and how many bytes had been sent by then, beside the first."""
    with socket.create_connection(("127.0.0.1", at.port), timeout=PAUSE_S) as line:
        line.sendall(first)
        answer = b""
        for sent in range(MANY):
            try:
                got = line.recv(65_536)
            except TimeoutError:
                line.sendall(one)
                continue
            except ConnectionError:
                return answer, sent
            if not got:
                return answer, sent
            answer += got
            time.sleep(PAUSE_S)
    return answer, MANY


def test_a_body_that_dribbles_in_is_answered_with_408(tmp_path: Path) -> None:
    with site(tmp_path, timeout_s=LIMIT_S) as at:
        head = (
            f"POST /api/v1/alerts/{at.alert}/acknowledge HTTP/1.1\r\nHost: 127.0.0.1\r\n"
            f"Authorization: Bearer {at.token('Ada', 'act')}\r\nContent-Type: application/json\r\n"
            f"Content-Length: {MANY}\r\n\r\n"
        )
        answer, sent = dribbled(at, head.encode(), b" ")
        assert answer.startswith(b"HTTP/1.1 408 ")
        assert b'"remedy"' in answer
        assert sent < MANY
        assert at.ask("GET", "/healthz").status == 200


@pytest.mark.parametrize(
    "first", [b"", b"GET /healthz HTTP/1.1\r\nX-", b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\nGET /he"]
)
def test_a_head_that_dribbles_in_is_hung_up_on(tmp_path: Path, first: bytes) -> None:
    """From the beginning, amid a header, and in the second request of a connection."""
    with site(tmp_path, timeout_s=LIMIT_S) as at:
        answer, sent = dribbled(at, first, b"x")
        assert answer.count(b"HTTP/1.1 200 ") == first.count(b"\r\n\r\n")
        assert sent < MANY


def test_a_line_on_which_nothing_is_said_is_hung_up(tmp_path: Path) -> None:
    with (
        site(tmp_path, timeout_s=LIMIT_S) as at,
        socket.create_connection(("127.0.0.1", at.port), timeout=20) as line,
    ):
        assert line.recv(1) == b""


def test_a_line_in_use_is_kept(tmp_path: Path) -> None:
    """Requests one after the other over one connection, for longer than one may take."""
    with (
        site(tmp_path, timeout_s=LIMIT_S) as at,
        socket.create_connection(("127.0.0.1", at.port), timeout=20) as line,
    ):
        for _ in range(6):
            line.sendall(b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            assert line.recv(65_536).startswith(b"HTTP/1.1 200 ")
            time.sleep(LIMIT_S / 3)
