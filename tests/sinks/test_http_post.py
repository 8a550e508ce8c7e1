"""One attempt against real servers: the address, the certificate and the time limits."""

import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from strikewatch.sinks import SendResult
from strikewatch.sinks.address import system_resolver
from strikewatch.sinks.settings import Target
from strikewatch.sinks.webhook import Poster
from tests.certificates import Authority
from tests.receiver import Receiver
from tests.sinks.bench import KEY, LOOPBACK, START

OK = b"HTTP/1.1 200 OK\r\ncontent-length: 0\r\n\r\n"


@contextmanager
def server(
    speak: Callable[[socket.socket], None], context: ssl.SSLContext | None = None, host: str = "127.0.0.1"
) -> Iterator[int]:
    """A server that does `speak` with each connection, once the request has been read; its port."""
    listener = socket.create_server((host, 0))

    def serve() -> None:
        while True:
            try:
                line, _ = listener.accept()
            except OSError:
                return
            try:
                with context.wrap_socket(line, server_side=True) if context else line as sock:
                    asked = b""
                    while not asked.endswith(b"{}"):
                        asked += sock.recv(65_536) or b"{}"
                    speak(sock)
            except OSError:
                pass  # the sender has gone: some tests are about that

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join()


def target(url: str, **settings: Any) -> Target:
    return Target(url=url, secret_env="NONE", **({"allow_private": LOOPBACK} | settings))


def once(given: Target, resolve: Callable[[str, int], list[str]] = system_resolver) -> SendResult:
    poster = Poster(given, [KEY], resolve)
    try:
        return poster.post("m1", b"{}", START)
    finally:
        poster.close()


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path)


def tls(authority: Authority, *hosts: str) -> ssl.SSLContext:
    issued = authority.issue("server", list(hosts))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(issued.cert_file, issued.key_file)
    return context


def test_the_certificate_must_be_for_the_name_whatever_the_address(authority: Authority) -> None:
    """The right name passes and is sent as SNI; another fails although the address is right."""
    asked: list[str | None] = []
    context = tls(authority, "alerts.test")
    context.sni_callback = lambda _socket, name, _context: asked.append(name)
    heard: list[bytes] = []

    def speak(sock: socket.socket) -> None:
        heard.append(b"spoken to")
        sock.sendall(OK)

    def home(_host: str, _port: int) -> list[str]:
        return ["127.0.0.1"]

    with server(speak, context) as port:
        right = target(f"https://alerts.test:{port}/x", ca_file=authority.ca_file)
        answer = once(right, home)
        assert (answer.delivered, answer.summary) == (True, "HTTP 200"), answer
        assert "certificate valid for alerts.test" in answer.trace
        assert asked == ["alerts.test"]
        wrong = once(target(f"https://other.test:{port}/x", ca_file=authority.ca_file), home)
        assert not wrong.delivered
        assert "not valid for 'other.test'" in wrong.summary
        literal = once(target(f"https://127.0.0.1:{port}/x", ca_file=authority.ca_file))
        assert "IP address mismatch" in literal.summary
        unknown = once(target(f"https://alerts.test:{port}/x"), home)
        assert "CERTIFICATE_VERIFY_FAILED" in unknown.summary
        assert len(heard) == 1


def test_a_certificate_may_be_for_an_address(authority: Authority) -> None:
    with server(lambda sock: sock.sendall(OK), tls(authority, "127.0.0.1")) as port:
        assert once(target(f"https://127.0.0.1:{port}/", ca_file=authority.ca_file)).delivered


def test_the_connection_uses_the_checked_address_despite_dns_rebinding(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The checked address is the one connected to, and nothing is looked up again."""
    answers = [["127.0.0.1"], ["127.0.0.2"], ["127.0.0.1"], ["10.0.0.1", "127.0.0.1"]]
    asked: list[str] = []

    def resolve(host: str, _port: int) -> list[str]:
        asked.append(host)
        return answers[len(asked) - 1]

    def forbidden(*_: Any, **__: Any) -> None:
        raise AssertionError("a second look-up")

    monkeypatch.setattr(socket, "getaddrinfo", forbidden)
    with server(lambda sock: sock.sendall(OK)) as port:
        given = target(f"http://two-faced.test:{port}/", allow_private=["127.0.0.1/32"])
        assert once(given, resolve).delivered
        assert len(asked) == 1
        second = once(given, resolve)
        assert second.summary.startswith(
            "ForbiddenAddressError: not connected: 127.0.0.2 (for two-faced.test)"
        )
        assert once(given, resolve).delivered
        assert "10.0.0.1" in once(given, resolve).summary


def test_a_forbidden_address_is_never_connected_to() -> None:
    came: list[Any] = []
    with server(came.append) as port:
        for host in ("127.0.0.1", "2130706433", "0x7f.1", "0177.0.0.1", "localhost"):
            answer = once(target(f"http://{host}:{port}/", allow_private=[]))
            assert not answer.delivered
            assert "allow_private" in answer.summary
    assert came == []


def test_http_to_public_addresses_needs_allow_http() -> None:
    def public(_host: str, _port: int) -> list[str]:
        return ["8.8.8.8"]

    refused = once(target("http://plain.test/"), public)
    assert "http to 8.8.8.8 is not encrypted; use https, or set allow_http" in refused.summary


def test_no_proxy_of_the_environment_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    came: list[Any] = []
    with server(came.append) as proxy, Receiver(KEY, now_s=lambda: START / 1e9) as receiver:
        for name in ("http_proxy", "HTTP_PROXY", "all_proxy", "ALL_PROXY", "https_proxy"):
            monkeypatch.setenv(name, f"http://127.0.0.1:{proxy}")
        assert once(target(receiver.url)).delivered
        assert receiver.received[0].refused == ""
    assert came == []


def test_a_redirect_is_a_failure_and_not_followed() -> None:
    came: list[Any] = []
    with server(came.append) as elsewhere:
        moved = f"HTTP/1.1 307 Moved\r\nlocation: http://127.0.0.1:{elsewhere}/\r\ncontent-length: 0\r\n\r\n"
        with server(lambda sock: sock.sendall(moved.encode())) as port:
            answer = once(target(f"http://127.0.0.1:{port}/"))
    assert (answer.delivered, answer.summary, came) == (False, "HTTP 307", [])


PIECES = 6000
"""A minute of bytes, of which a request with a limit of 0.2 s takes few."""


@pytest.mark.parametrize("sealed", [False, True])
def test_a_slowly_trickling_response_times_out(authority: Authority, sealed: bool) -> None:
    sent = 0

    def drip(sock: socket.socket) -> None:
        nonlocal sent
        sock.sendall(b"HTTP/1.1 200 OK\r\n")
        while sent < PIECES:  # until the sender hangs up
            sock.sendall(b"x")
            sent += 1
            time.sleep(0.01)

    context = tls(authority, "127.0.0.1") if sealed else None
    with server(drip, context) as port:
        given = target(f"http{'s' * sealed}://127.0.0.1:{port}/", ca_file=authority.ca_file, timeout_s=0.2)
        answer = once(given)
        assert "Timeout" in answer.summary
    assert sent < PIECES


def test_a_missing_tls_handshake_times_out(authority: Authority) -> None:
    """The server accepts the connection and sends nothing."""
    with socket.create_server(("127.0.0.1", 0)) as silent:
        port = silent.getsockname()[1]
        given = target(f"https://127.0.0.1:{port}/", ca_file=authority.ca_file, connect_timeout_s=0.1)
        answer = once(given)
    assert "Timeout" in answer.summary
    assert f"connected to 127.0.0.1 port {port}" in answer.trace


def test_the_next_address_is_tried_if_the_first_does_not_answer() -> None:
    with server(lambda sock: sock.sendall(OK), host="127.0.0.2") as port:
        answer = once(target(f"http://two.test:{port}/"), lambda *_: ["127.0.0.1", "127.0.0.2"])
    assert answer.delivered
    assert "127.0.0.1 port" in answer.trace
    assert "connected to 127.0.0.2" in answer.trace


def test_a_response_that_is_not_http_is_a_failure() -> None:
    with server(lambda sock: sock.sendall(b"220 mail ready\r\n")) as port:
        assert "BadStatusLine" in once(target(f"http://127.0.0.1:{port}/")).summary


def test_endless_response_headers_are_cut_off() -> None:
    with server(lambda sock: sock.sendall(b"HTTP/1.1 200 OK\r\n" + b"a: b\r\n" * 5000)) as port:
        assert "more than 100 headers" in once(target(f"http://127.0.0.1:{port}/")).summary
