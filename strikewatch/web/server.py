"""The HTTP server in a supervised thread of its own."""

import asyncio
import contextlib
import socket
import threading
from collections.abc import Callable
from typing import Final

import h11
import structlog
import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from strikewatch.errors import SettingsError
from strikewatch.storage.actions import tokens
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.web.settings import Settings

_log: Final = structlog.get_logger("http")

MOST_CONNECTIONS: Final = 500
STOP_TIMEOUT_S: Final = 3.0


class Server:
    """Binds its port when created, so that a port in use is found at once; calls `failed` if its thread dies.

    Raises SettingsError for a port that is in use, and for an address that others can reach while no token is valid.
    """

    def __init__(
        self, settings: Settings, place: DatabaseAccess, app: ASGIApp, failed: Callable[[BaseException], None]
    ) -> None:
        self._failed = failed
        with place.read() as connection:
            any_valid = any(holder.revoked is None for holder in tokens.holders(connection))
        if not settings.loopback and not any_valid:
            what = (
                f"{settings.host} can be reached by others, and there is no valid token: first strikewatch "
                "token add NAME, or listen on 127.0.0.1"
            )
            raise SettingsError([("http.host", what)])
        self._socket = _bind(settings)
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                http=_protocol(settings.timeout_s),
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,
                lifespan="on",
                limit_concurrency=MOST_CONNECTIONS,
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


def _protocol(timeout_s: float) -> type[H11Protocol]:
    """Return a protocol that disconnects a client that is too slow.

    The limit is for the head of a request, and for the rest of a body whose request was answered already. Until then
    the endpoint's own limit holds for the body.
    """

    class TimeLimitedProtocol(H11Protocol):
        _timer: asyncio.TimerHandle | None = None

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as in uvicorn
            super().connection_made(transport)
            self._start_timer()

        def data_received(self, data: bytes) -> None:
            super().data_received(data)
            client = self.conn.their_state
            answered = self.cycle is not None and self.cycle.response_complete
            if client is not h11.IDLE and not (answered and client is h11.SEND_BODY):
                self._stop_timer()
            elif self._timer is None:
                self._start_timer()

        def connection_lost(self, exc: Exception | None) -> None:
            self._stop_timer()
            super().connection_lost(exc)

        def _start_timer(self) -> None:
            self._timer = self.loop.call_later(timeout_s, self.transport.close)

        def _stop_timer(self) -> None:
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None

    return TimeLimitedProtocol


def _bind(settings: Settings) -> socket.socket:
    try:
        family, *_, address = socket.getaddrinfo(settings.host, settings.port, type=socket.SOCK_STREAM)[0]
        listener = socket.socket(family, socket.SOCK_STREAM)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
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
