"""The HTTP server in a supervised thread of its own."""

import contextlib
import socket
import threading
import time
from collections.abc import Callable
from typing import Final

import structlog
import uvicorn
from starlette.types import ASGIApp

from strikewatch.errors import SettingsError
from strikewatch.storage.actions import tokens
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.web.client_address import networks
from strikewatch.web.connections import MOST_CONNECTIONS, Connections, Limits, limited_protocol
from strikewatch.web.settings import Settings

_log: Final = structlog.get_logger("http")

ACCEPTED_AT_ONCE: Final = 100
"""New connections between two turns of the loop: they are open before the limit can close any."""
SEND_BUFFER_BYTES: Final = 131_072
"""What the kernel holds for a client that does not read."""
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
