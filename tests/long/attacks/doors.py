"""Requests that come from this machine's address and were not made here, and connections that only cost.

Forwarding headers: RFC 7239 (Forwarded), RFC 9110 section 7.6.3 (Via); the X- ones have no standard.
"""

import contextlib
import socket
import struct
import time
from collections.abc import Iterator

from tests.long.attacks.attack import Attack, AttackReport
from tests.long.attacks.site import Site

FORWARDED = {
    "Forwarded": "for=192.0.2.7",
    "Via": "1.1 front",
    "X-Forwarded-For": "192.0.2.7",
    "X-Forwarded-Host": "page.example",
    "X-Forwarded-Proto": "https",
    "X-Forwarded-Port": "443",
    "X-Forwarded-Server": "front.example",
    "X-Real-IP": "192.0.2.7",
}
FOREIGN_HOSTS = ("rebound.example", "192.0.2.7", "localhost.example", "127.0.0.1.example:80")
"""What a browser sends whose name server changed its mind: DNS rebinding."""
WITHOUT_TOKEN = ("/api/v1/alerts", "/metrics", "/", "/api/v1/rejects")
CONNECTIONS = 10_000
STREAMS = 300
HELD_S = 15.0
ANSWER_S = 3.0


def forwarded(site: Site, scale: float) -> AttackReport:
    """A request with a forwarding header or a foreign host name does not count as local."""
    del scale
    done = AttackReport()
    for path in WITHOUT_TOKEN:
        for name, value in [*FORWARDED.items(), *(("Host", host) for host in FOREIGN_HOSTS)]:
            done.sent += len(path) + len(name) + len(value)
            status, _ = site.get(path, {name: value})
            done.expect(status in (303, 400, 401, 403, 421), f"{path} with {name}: {value} answers {status}")
    return done


def proxied(site: Site, scale: float) -> AttackReport:
    """Behind a proxy that speaks TLS for it, the address alone proves nothing, header or not."""
    del scale
    done = AttackReport()
    for path in WITHOUT_TOKEN:
        done.sent += len(path)
        status, _ = site.get(path)
        done.expect(status in (303, 400, 401, 403), f"{path} without a token answers {status}")
    return done


@contextlib.contextmanager
def opened(port: int, count: int, first: bytes, receive_bytes: int = 0) -> Iterator[int]:
    """Open connections that send `first`, then nothing, and never read; yield their number."""
    lines: list[socket.socket] = []
    try:
        for _ in range(count):
            line = socket.socket()
            line.settimeout(2.0)
            if receive_bytes:
                line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
            try:
                line.connect(("127.0.0.1", port))
                line.sendall(first)
            except OSError:
                line.close()
                continue  # refused, which is what may well be done
            lines.append(line)
        yield len(lines)
    finally:
        for line in lines:
            line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            line.close()


def held(site: Site, count: int, first: bytes, held_s: float, receive_bytes: int = 0) -> AttackReport:
    """Hold the connections; meanwhile an ordinary request must be answered."""
    done = AttackReport()
    longest = 0.0
    with opened(site.processor.http_port, count, first, receive_bytes) as n:
        done.sent = n * len(first)
        end = time.monotonic() + held_s
        while time.monotonic() < end:
            began = time.monotonic()
            status, _ = site.get("/healthz", timeout_s=held_s)
            longest = max(longest, time.monotonic() - began)
            done.expect(
                status == 200 or any("/healthz" in one for one in done.broken), f"/healthz answers {status}"
            )
            time.sleep(0.5)
    done.notes |= {"connections": n, "longest answer s": longest}
    done.expect(longest <= ANSWER_S, f"an ordinary request took {longest:.1f} s")
    return done


def connections(site: Site, scale: float) -> AttackReport:
    """Send half of a request on each connection, then nothing."""
    first = b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: "
    return held(site, round(CONNECTIONS * scale), first, HELD_S * max(scale, 0.2))


def streams(site: Site, scale: float) -> AttackReport:
    """Open readers of the live stream that never read, with the smallest possible buffer."""
    first = b"GET /stream HTTP/1.1\r\nHost: localhost\r\nAccept: text/event-stream\r\n\r\n"
    return held(site, round(STREAMS * scale), first, 2 * HELD_S * max(scale, 0.2), 1)


ATTACKS = (
    Attack("forwarded", "forwarding headers and foreign host names from this machine", forwarded, 1.0),
    Attack(
        "proxied",
        "no token, behind a proxy on this machine",
        proxied,
        settings={"http": {"tls_in_front": True}},
    ),
    Attack("connections", "10,000 connections to the page, each with half a request", connections, 0.1),
    Attack("slow-stream", "300 readers of the page's stream that never read", streams, 0.2),
)
