"""A response is read alike whether it is plain or not: status, wait, and whether the connection is kept."""

import socket
from unittest.mock import Mock

from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.sinks.address import system_resolver
from strikewatch.sinks.http_connection import HttpConnection, Response
from strikewatch.sinks.settings import Target
from tests.profiles import examples

HEADERS = st.lists(
    st.sampled_from(
        [
            "Content-Type: text/plain",
            "content-length: 5",
            "Content-Length:3",
            "Content-Length: +5",
            "Connection: close",
            "Connection: keep-alive",
            "Transfer-Encoding: chunked",
            "Retry-After: 120",
            "RETRY-AFTER:  soon ",
            "X-Empty:",
            " folded",
            "no colon",
        ]
    ),
    max_size=2,
)
STATUS_LINES = st.just("HTTP/1.1 200 OK") | st.sampled_from(
    [
        "HTTP/1.1 204 No Content",
        "HTTP/1.1 410 Gone",
        "HTTP/1.1 503 ",
        "HTTP/1.1 200",
        "HTTP/1.0 200 OK",
        "HTTP/1.1 100 Continue",
        "HTTP/1.1 99 Odd",
        "220 mail ready",
        "",
    ]
)
BODIES = st.sampled_from([b"", b"abc", b"hello", b"5\r\nhello\r\n0\r\n\r\n", b"hello, and more"])
Read = tuple[Response | str, bool]


class ScriptedSocket(socket.socket):
    """Records what is written, and gives a response in pieces."""

    def __init__(self, *pieces: bytes) -> None:
        super().__init__()
        self.writes: list[bytes] = []
        self._pieces = [piece for piece in pieces if piece]

    def sendall(self, data: bytes, *_: int) -> None:  # type: ignore[override]
        self.writes.append(data)

    def recv_into(self, buffer: bytearray, *_: int) -> int:  # type: ignore[override]
        if not self._pieces:
            return 0
        piece = self._pieces.pop(0)
        n = min(len(buffer), len(piece))
        buffer[:n] = piece[:n]
        if piece[n:]:
            self._pieces.insert(0, piece[n:])
        return n


def read(response: bytes, cut: int, *, plain: bool) -> Read:
    """Return what became of a response that arrives in two pieces, and whether the connection is kept."""
    connection = HttpConnection(Target(url="http://alerts.test/", secret_env="NONE"), system_resolver)
    if not plain:
        connection._plain_response = Mock(return_value=None)  # type: ignore[method-assign]
    with ScriptedSocket(response[:cut], response[cut:]) as sock:
        connection.sock = sock  # type: ignore[assignment]  # a socket of the same kind
        try:
            result: Response | str = connection.post({}, b"{}")
        except Exception as error:  # noqa: BLE001  # it is compared
            result = type(error).__name__
        return result, connection.sock is not None


@settings(max_examples=examples(100))
@given(STATUS_LINES, HEADERS, BODIES, st.booleans(), st.data())
def test_plain_responses_are_read_as_http_client_reads_them(
    status_line: str, headers: list[str], body: bytes, has_length: bool, data: st.DataObject
) -> None:
    if has_length:
        headers = [f"Content-Length: {len(body)}", *headers]
    head = "\r\n".join([status_line, *headers, "", ""]).encode()
    response = head + body
    cut = data.draw(st.sampled_from([len(head), len(response)]) | st.integers(0, len(response)))
    expected, kept = read(response, cut, plain=False)
    found, still_open = read(response, cut, plain=True)
    assert found == expected
    assert kept or not still_open


def test_the_usual_responses_are_plain() -> None:
    """One read each, and the connection is kept."""
    connection = HttpConnection(Target(url="http://alerts.test/", secret_env="NONE"), system_resolver)
    for received, status in (
        (b"HTTP/1.1 204 No Content\r\ndate: today\r\n\r\n", 204),
        (b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\nServer: x\r\n\r\nok", 200),
        (b"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 7\r\nContent-Length: 0\r\n\r\n", 503),
    ):
        response = Response(status, "7" if status == 503 else None)
        with ScriptedSocket() as sock:
            assert connection._plain_response(sock, received) == response
    with ScriptedSocket() as sock:  # it has no body, whatever it says
        assert connection._plain_response(sock, b"HTTP/1.1 204 x\r\nContent-Length: 5\r\n\r\n") is None


def test_a_request_is_one_write_with_the_headers_that_http_1_1_requires() -> None:
    """RFC 9112, section 3.2: Host with the port unless it is the default, an IPv6 address in brackets."""
    for url, line, host in (
        ("http://alerts.test/a?b=c", "POST /a?b=c HTTP/1.1", "alerts.test"),
        ("http://alerts.test:8080", "POST / HTTP/1.1", "alerts.test:8080"),
        ("https://[2001:db8::1]/x", "POST /x HTTP/1.1", "[2001:db8::1]"),
    ):
        connection = HttpConnection(Target(url=url, secret_env="NONE"), system_resolver)
        with ScriptedSocket(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n") as sock:
            connection.sock = sock  # type: ignore[assignment]  # a socket of the same kind
            assert connection.post({"webhook-id": "m1"}, b"{}").status == 200
        (written,) = sock.writes
        assert written.decode().split("\r\n") == [
            line,
            f"Host: {host}",
            "Accept-Encoding: identity",
            "Content-Length: 2",
            "webhook-id: m1",
            "",
            "{}",
        ]
