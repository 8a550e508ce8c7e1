"""The HTTP application: operations, monitoring and pages on one FastAPI app."""

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from importlib.metadata import version
from typing import Final

from fastapi import FastAPI
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from strikewatch.web.api import alerts, deliveries, events, rejects
from strikewatch.web.api.problems import ApiResponse, guarded, not_routed
from strikewatch.web.api.routing import ApiContext
from strikewatch.web.host_names import HostNames
from strikewatch.web.live.stream import EventStream

ROUTERS: Final = (alerts.router, deliveries.router, rejects.router, events.router)


def create_app(
    context: ApiContext, routes: Sequence[BaseRoute], stream: EventStream, close: Callable[[], None]
) -> FastAPI:
    """Create the application with the routes of monitoring and pages; `close` is called when it stops."""

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
        exception_handlers={HTTPException: not_routed},
        middleware=[Middleware(HostNames, context.settings), Middleware(_HeadAsGet)],
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
