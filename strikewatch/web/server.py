"""The interface in a thread of its own, watched like the others."""

import asyncio
import contextlib
import socket
import threading
from collections.abc import Callable
from typing import Final

import h11
import structlog
import uvicorn
from starlette.applications import Starlette
from uvicorn.protocols.http.h11_impl import H11Protocol

from strikewatch.errors import SettingsError
from strikewatch.storage.actions import tokens
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.web.settings import Settings

_log: Final = structlog.get_logger("http")

CONNECTIONS: Final = 500
JOIN_S: Final = 3.0


class Server:
    """Bound when made, so that a port in use is known at once: raises SettingsError. `failed` as in the courier."""

    def __init__(
        self,
        settings: Settings,
        place: DatabaseAccess,
        application: Starlette,
        failed: Callable[[BaseException], None],
    ) -> None:
        self._failed = failed
        with place.read() as connection:
            good = any(one.revoked is None for one in tokens.holders(connection))
        if not settings.loopback and not good:
            raise SettingsError(
                [
                    (
                        "http.host",
                        f"{settings.host} is for others to reach, and no token was made: first strikewatch "
                        "token add NAME, or listen on 127.0.0.1",
                    )
                ]
            )
        self._socket = _bound(settings)
        self._server = uvicorn.Server(
            uvicorn.Config(
                application,
                http=_in_time(settings.timeout_s),
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,
                lifespan="on",
                limit_concurrency=CONNECTIONS,
                timeout_keep_alive=5,
                timeout_graceful_shutdown=2,
            )
        )
        self._thread = threading.Thread(target=self._run, name="http", daemon=True)

    def start(self) -> None:
        self._thread.start()
        _log.info("http_listening", host=self._socket.getsockname()[0], port=self._socket.getsockname()[1])

    def stop(self) -> None:
        """Answer what is under way, for up to 2 s."""
        self._server.should_exit = True
        if self._thread.ident is not None:
            self._thread.join(JOIN_S)
        with contextlib.suppress(OSError):
            self._socket.close()

    def _run(self) -> None:
        try:
            self._server.run(sockets=[self._socket])
            if not self._server.should_exit:
                raise RuntimeError("the HTTP interface has ended by itself")
        except BaseException as error:  # noqa: BLE001  # a dead thread must be seen, whatever killed it
            _log.error("http_died", error=repr(error))
            self._failed(error)


def _in_time(limit_s: float) -> type[H11Protocol]:
    """The protocol, hanging up where a head takes longer, or what is left of a body that was answered already.

    Until then a body has its limit with all else.
    """

    class InTime(H11Protocol):
        _given_up: asyncio.TimerHandle | None = None

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as uvicorn has it
            super().connection_made(transport)
            self._begin()

        def data_received(self, data: bytes) -> None:
            super().data_received(data)
            sending = self.conn.their_state
            answered = self.cycle is not None and self.cycle.response_complete
            if sending is not h11.IDLE and not (answered and sending is h11.SEND_BODY):
                self._end()
            elif self._given_up is None:
                self._begin()

        def connection_lost(self, exc: Exception | None) -> None:
            self._end()
            super().connection_lost(exc)

        def _begin(self) -> None:
            self._given_up = self.loop.call_later(limit_s, self.transport.close)

        def _end(self) -> None:
            if self._given_up is not None:
                self._given_up.cancel()
                self._given_up = None

    return InTime


def _bound(settings: Settings) -> socket.socket:
    try:
        family, *_, address = socket.getaddrinfo(settings.host, settings.port, type=socket.SOCK_STREAM)[0]
        listening = socket.socket(family, socket.SOCK_STREAM)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind(address)
            listening.listen(CONNECTIONS)
        except OSError:
            listening.close()
            raise
    except OSError as error:
        raise SettingsError(
            [
                (
                    "http",
                    f"cannot listen on {settings.host} port {settings.port} ({error}); name another port, "
                    "or set http.enabled = false",
                )
            ]
        ) from error
    return listening
