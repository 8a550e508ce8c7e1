"""Refuse requests under foreign host names, so that no web site reaches this server through a visitor's browser.

A site can let its own name resolve to this machine (DNS rebinding). Its scripts then send requests here, but the Host
header still holds the site's name. RFC 9110, sections 7.2 (Host) and 15.5.20 (421, misdirected request).
"""

from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Receive, Scope, Send

from strikewatch.web.api.problems import Problem
from strikewatch.web.client_address import is_forwarded
from strikewatch.web.settings import Settings, is_loopback

_REMEDY: Final = "use localhost or the address that is listened on, or add the name to http.hosts"


class HostNames:
    """Middleware that answers 421 to a request under a host name that is not this server's."""

    def __init__(self, app: ASGIApp, settings: Settings) -> None:
        self._app = app
        self._accept_all = settings.accepts_any_host
        self._listed = {settings.host.lower(), *(name.lower() for name in settings.hosts)}
        self._listed_only = bool(settings.hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        app = self._app
        if scope["type"] == "http" and not self._accept_all and not self._is_known(scope):
            problem = Problem(421, "this host name is not one of this server's", _REMEDY)
            app = problem.response()
        await app(scope, receive, send)

    def _is_known(self, scope: Scope) -> bool:
        headers = Headers(scope=scope)
        if not self._listed_only and is_forwarded(headers):
            return True  # proxies pass on their own name; such a request needs a token in any case
        written = headers.get("host")
        if written is None:
            return True  # HTTP/1.0, which no browser sends
        try:
            host = urlsplit(f"//{written}").hostname or ""
        except ValueError:
            return False
        server = scope.get("server") or ("",)
        return is_loopback(host) or host in self._listed or host == server[0]
