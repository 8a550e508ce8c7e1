"""The HTTP server in a supervised thread of its own, and its open connections.

Connections are limited in number, and in time without progress. A client that opens many may share an address with
honest clients, behind a proxy for example. So a new connection over the limit is not refused: one that only waits is
closed for it, the oldest of the client that has the most. A connection waits while its request has not arrived
completely, and while it does not read its response.
"""

import asyncio
import contextlib
import socket
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import h11
import structlog
import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from strikewatch.errors import SettingsError
from strikewatch.storage.actions import tokens
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.web.authentication import client_name, is_trusted
from strikewatch.web.settings import Network, Settings, networks

_log: Final = structlog.get_logger("http")

ACCEPTED_AT_ONCE: Final = 100
"""New connections between two turns of the loop: they are open before the limit can close any."""
SEND_BUFFER_BYTES: Final = 131_072
"""What the kernel holds for a client that does not read."""
STOP_TIMEOUT_S: Final = 3.0
MOST_CONNECTIONS: Final = 700
MOST_PER_CLIENT: Final = 560
"""For a proxy in the settings only the total counts, since all of its clients have its address."""
MOST_REST_BYTES: Final = 1024 * 1024
"""The largest part of a body that is read after its request was answered, so that the client sees the answer."""
WRITE_BUFFER_BYTES: Final = 32_768
"""A response waits while more than this is buffered for a client that does not read."""
REPORT_EVERY_S: Final = 60.0


class Server:
    """Binds its port when created, so that a port in use is found at once; calls `failed` if its thread dies.

    Raises SettingsError for a port that is in use, and for an address that others can reach while no token is valid.
    """

    def __init__(
        self,
        settings: Settings,
        database: DatabaseAccess,
        app: ASGIApp,
        failed: Callable[[BaseException], None],
    ) -> None:
        self._failed = failed
        with database.read() as connection:
            any_valid = any(holder.revoked is None for holder in tokens.holders(connection))
        if not settings.loopback and not any_valid:
            what = (
                f"{settings.host} can be reached by others, and there is no valid token: first strikewatch "
                "token add NAME, or listen on 127.0.0.1"
            )
            raise SettingsError([("http.host", what)])
        self._socket = _bind(settings)
        connections = Connections(networks(settings.trusted_proxies), time.monotonic)
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                http=limited_protocol(Limits(connections, settings.timeout_s)),
                ws="none",
                log_config=None,
                log_level="error",  # anyone who can connect causes the warnings, one for each invalid request
                access_log=False,
                server_header=False,
                proxy_headers=False,
                lifespan="on",
                backlog=ACCEPTED_AT_ONCE,
                timeout_keep_alive=5,
                timeout_graceful_shutdown=2,
            )
        )
        self._thread = threading.Thread(target=self._run, name="http", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()
        host, port = self._socket.getsockname()[:2]
        _log.info("http_listening", host=host, port=port)

    def stop(self) -> None:
        """Stop; requests in progress get up to 2 s."""
        self._server.should_exit = True
        if self._thread.ident is not None:
            self._thread.join(STOP_TIMEOUT_S)
        with contextlib.suppress(OSError):
            self._socket.close()

    def _run(self) -> None:
        try:
            self._server.run(sockets=[self._socket])
            if not self._server.should_exit:
                raise RuntimeError("the HTTP server has stopped by itself")
        except BaseException as error:  # noqa: BLE001  # a dead thread must be noticed, whatever the cause
            _log.error("http_died", error=repr(error))
            self._failed(error)


def _bind(settings: Settings) -> socket.socket:
    try:
        family, *_, address = socket.getaddrinfo(settings.host, settings.port, type=socket.SOCK_STREAM)[0]
        listener = socket.socket(family, socket.SOCK_STREAM)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
            listener.bind(address)
            listener.listen(MOST_CONNECTIONS)
        except OSError:
            listener.close()
            raise
    except OSError as error:
        what = (
            f"cannot listen on {settings.host} port {settings.port} ({error}); name another port, or set "
            "http.enabled = false"
        )
        raise SettingsError([("http", what)]) from error
    return listener


class Connections:
    """All open connections. Used by the server's loop only. `monotonic` gives s."""

    def __init__(self, proxies: Sequence[Network], monotonic: Callable[[], float]) -> None:
        self._proxies = proxies
        self._monotonic = monotonic
        self._clients: dict[LimitedProtocol, str] = {}
        self._counts: Counter[str] = Counter()
        self._closed = 0
        self._reported_s = -REPORT_EVERY_S

    def __len__(self) -> int:
        return len(self._clients)

    def add(self, connection: "LimitedProtocol") -> None:
        """Add a connection; over a limit, close one that waits, or the new one if none does."""
        address = connection.client[0] if connection.client else ""
        client = client_name(address)
        self._clients[connection] = client
        self._counts[client] += 1
        if self._counts[client] > MOST_PER_CLIENT and not is_trusted(address, self._proxies):
            self._close_one(connection, client)
        elif len(self._clients) > MOST_CONNECTIONS:
            self._close_one(connection, self._counts.most_common(1)[0][0])

    def discard(self, connection: "LimitedProtocol") -> None:
        """Remove a connection that has ended."""
        client = self._clients.pop(connection, None)
        if client is not None:
            self._counts[client] -= 1
            if not self._counts[client]:
                del self._counts[client]

    def _close_one(self, new: "LimitedProtocol", client: str) -> None:
        oldest = (
            one for one, name in self._clients.items() if name == client and one is not new and one.waits
        )
        closed = next(oldest, new)
        self.discard(closed)
        closed.abort()
        self._closed += 1
        now_s = self._monotonic()
        if now_s - self._reported_s >= REPORT_EVERY_S:
            _log.warning(
                "http_connections_closed", closed=self._closed, client=client, limit=MOST_CONNECTIONS
            )
            self._reported_s, self._closed = now_s, 0


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of a connection: the number of connections, and the time without progress, s."""

    connections: Connections
    timeout_s: float


class LimitedProtocol(H11Protocol):
    """A connection that is closed if its client is too slow.

    The time limit is for the head of a request, for the rest of a body whose request was answered already, and for a
    client that does not read. Until the answer, the endpoint's own limit holds for the body.
    """

    limits: Limits
    _head_timer: asyncio.TimerHandle | None = None
    _write_timer: asyncio.TimerHandle | None = None
    _rest_bytes = 0

    @property
    def waits(self) -> bool:
        """Whether the server waits for the client: for the rest of a request, or until it reads."""
        return self.conn.their_state in (h11.IDLE, h11.SEND_BODY) or self.flow.write_paused

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as in uvicorn
        super().connection_made(transport)
        transport.set_write_buffer_limits(WRITE_BUFFER_BYTES)
        self._start_head_timer()
        self.limits.connections.add(self)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        client = self.conn.their_state
        answered = self.cycle is not None and self.cycle.response_complete
        rest = answered and client is h11.SEND_BODY
        self._rest_bytes = self._rest_bytes + len(data) if rest else 0
        if self._rest_bytes > MOST_REST_BYTES:
            self.abort()
        elif client is not h11.IDLE and not rest:
            self._stop_head_timer()
        elif self._head_timer is None:
            self._start_head_timer()

    def connection_lost(self, exc: Exception | None) -> None:
        self.limits.connections.discard(self)
        self._stop_head_timer()
        self._stop_write_timer()
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        super().pause_writing()
        self._start_write_timer()

    def resume_writing(self) -> None:
        self._stop_write_timer()
        super().resume_writing()

    def timeout_keep_alive_handler(self) -> None:
        super().timeout_keep_alive_handler()
        self._start_write_timer()

    def abort(self) -> None:
        """Disconnect at once, and let the kernel drop what the client has not read."""
        line = self.transport.get_extra_info("socket")
        with contextlib.suppress(OSError):  # closed already
            line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.transport.abort()

    def _close(self) -> None:
        self.transport.close()
        self._start_write_timer()  # closing waits until everything is sent, for ever if nobody reads

    def _start_head_timer(self) -> None:
        self._head_timer = self.loop.call_later(self.limits.timeout_s, self._close)

    def _stop_head_timer(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None

    def _start_write_timer(self) -> None:
        self._stop_write_timer()
        self._write_timer = self.loop.call_later(self.limits.timeout_s, self.abort)

    def _stop_write_timer(self) -> None:
        if self._write_timer is not None:
            self._write_timer.cancel()
            self._write_timer = None


def limited_protocol(limits: Limits) -> type[LimitedProtocol]:
    """Return the protocol under these limits, as the server's settings take it."""
    return type("LimitedProtocol", (LimitedProtocol,), {"limits": limits})
