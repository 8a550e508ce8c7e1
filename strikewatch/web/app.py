"""The HTTP application: operations, monitoring and pages on one FastAPI app.

It refuses requests under foreign host names, so that no web site reaches this server through a visitor's browser. A
site can let its own name resolve to this machine (DNS rebinding). Its scripts then send requests here, but the Host
header still holds the site's name. RFC 9110, sections 7.2 (Host) and 15.5.20 (421, misdirected request).
"""

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from importlib.metadata import version
from typing import Final
from urllib.parse import urlsplit

from fastapi import FastAPI
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from strikewatch.web.api import alerts, deliveries, events, push
from strikewatch.web.api.problems import ApiResponse, Problem, ProblemPage, guarded, not_routed
from strikewatch.web.api.routing import ApiContext
from strikewatch.web.authentication import is_forwarded
from strikewatch.web.live.stream import EventStream
from strikewatch.web.settings import Settings, is_loopback

ROUTERS: Final = (alerts.router, deliveries.router, events.router, push.router)
_HOST_REMEDY: Final = "use localhost or the address that is listened on, or add the name to http.hosts"


def create_app(
    context: ApiContext,
    routes: Sequence[BaseRoute],
    stream: EventStream,
    render: ProblemPage,
    close: Callable[[], None],
) -> FastAPI:
    """Create the application with the routes of monitoring and pages.

    `render` shows a problem as a page; `close` is called when the application stops.
    """

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        running = asyncio.create_task(stream.run())
        try:
            yield
        finally:
            running.cancel()
            with suppress(asyncio.CancelledError):
                await running
            close()

    async def openapi(request: Request) -> Response:
        await run_in_threadpool(context.authenticator.authenticate, request, "view")
        return ApiResponse(app.openapi())

    app = FastAPI(
        title="Strikewatch",
        version=version("strikewatch"),
        openapi_url=None,  # our own route below requires a token
        docs_url=None,  # these pages load scripts from elsewhere
        redoc_url=None,
        redirect_slashes=False,  # a redirect would lead to the name in the Host header
        generate_unique_id_function=lambda route: route.name,
        exception_handlers={HTTPException: not_routed(render)},
        middleware=[
            Middleware(HostNames, context.settings),
            Middleware(_HeadAsGet),
            # No secret can be guessed from the sizes: other sites' requests bear no session (SameSite=Strict).
            Middleware(GZipMiddleware, minimum_size=1000, compresslevel=5),
        ],
        lifespan=lifespan,
        routes=[Route("/openapi.json", guarded(openapi, context.settings.timeout_s)), *routes],
    )
    app.state.context = context
    for router in ROUTERS:
        app.include_router(router)
    return app


class _HeadAsGet:
    """Route HEAD like GET (RFC 9110, 9.3.2); the server leaves the body out."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope.get("method") == "HEAD":
            scope = {**scope, "method": "GET"}
        await self._app(scope, receive, send)


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
            problem = Problem(421, "this host name is not one of this server's", _HOST_REMEDY)
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
