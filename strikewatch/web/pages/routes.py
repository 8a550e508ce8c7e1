"""The routes of the page: sign-in, pages, the stream, data for scripts, static files."""

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from strikewatch.errors import StrikewatchError
from strikewatch.web.api.problems import ApiResponse, Problem, guarded
from strikewatch.web.api.routing import read_body
from strikewatch.web.authentication import Authenticator
from strikewatch.web.live.stream import EventStream
from strikewatch.web.pages.page import SAFE_HEADERS, SIGN_IN_PATH, PageRequest, Pages, Templates, View
from strikewatch.web.pages.views import alert, alerts, feed, guide, hammer, now, week
from strikewatch.web.pages.views.sign_in import Login
from strikewatch.web.settings import Settings

_STATIC: Final = Path(__file__).parent / "static"
_REVALIDATED: Final = {**SAFE_HEADERS, "Cache-Control": "no-cache"}
MOST_READERS: Final = 500
"""Pages that may follow the stream at once."""


def _preferences(pages: Pages, page: PageRequest) -> Response:
    """Show the preferences of a reader: units, language, sound."""
    return pages.render(page, "preferences.html", languages=sorted(pages.templates.translations))


VIEWS: Final[dict[str, View]] = {
    "/": now.now,
    "/open": now.active_alerts,
    "/active": now.active_changes,
    "/alerts": alerts.alerts,
    "/alerts/{site}/{alert}": alert.alert,
    "/write": hammer.log,
    "/hammers/{site}/{hammer}": hammer.hammer,
    "/due": hammer.due,
    "/week": week.week,
    "/choices": _preferences,
    "/feed": feed.feed,
    "/guide": guide.guides,
    "/guide/{topic}": guide.guide,
}
"""The pages for the role view, by path."""


class _Files(StaticFiles):
    """Static files that browsers revalidate with every use."""

    def file_response(self, *args: Any, **options: Any) -> Response:
        response = super().file_response(*args, **options)
        response.headers.update(_REVALIDATED)
        return response


def page_routes(
    settings: Settings, authenticator: Authenticator, templates: Templates, pages: Pages, stream: EventStream
) -> list[BaseRoute]:
    """Return the routes of the page."""
    login = Login(templates, authenticator, settings.tls_in_front)

    def page(path: str, view: View, role: Any = "view") -> Route:
        return html(path, lambda request: run_in_threadpool(pages.respond, request, view, role))

    def form(path: str, accept: Callable[[Request, bytes], Response]) -> Route:
        async def respond(request: Request) -> Response:
            body = await read_body(request, settings.body_limit_kib)
            return await run_in_threadpool(accept, request, body)

        return html(path, respond, "POST")

    def html(path: str, respond: Callable[[Request], Awaitable[Response]], method: str = "GET") -> Route:
        return Route(path, guarded(respond, settings.timeout_s, templates.problem), methods=[method])

    async def follow(request: Request) -> Response:
        async def is_allowed() -> bool:
            try:
                return await run_in_threadpool(authenticator.authenticate, request, "view") == holder
            except (Problem, StrikewatchError):
                return False

        holder = await run_in_threadpool(authenticator.authenticate, request, "view")
        chosen = pages.limited_to(holder.sites).chosen_site(request)
        if stream.readers >= MOST_READERS:
            raise Problem(503, "too many pages are open", "close some", 30)
        gzip = "gzip" in request.headers.get("accept-encoding", "")
        return await stream.respond(is_allowed, gzip, frozenset({chosen}) if chosen else holder.sites)

    async def trace(request: Request) -> Response:
        holder = await run_in_threadpool(authenticator.authenticate, request, "view")
        return ApiResponse(await run_in_threadpool(alert.trace, pages.limited_to(holder.sites), request))

    async def offline(request: Request) -> Response:
        # Kept by browsers for the time without a connection, so it says nothing of any site.
        return templates.render(templates.formatting(request), "offline.html")

    async def service_worker(_request: Request) -> Response:
        # At the root: a service worker may only serve paths beside or below its own.
        return FileResponse(_STATIC / "offline.js", headers=_REVALIDATED, media_type="text/javascript")

    return [
        *(page(path, view) for path, view in VIEWS.items()),
        page("/review/{site}", week.review, "review"),
        html(SIGN_IN_PATH, lambda request: run_in_threadpool(login.form, request)),
        form(SIGN_IN_PATH, login.sign_in),
        form("/sign-out", login.sign_out),
        Route("/stream", guarded(follow, settings.timeout_s)),
        Route("/trace/{site}/{alert}", guarded(trace, settings.timeout_s)),
        html("/offline", offline),
        Route("/offline.js", guarded(service_worker, settings.timeout_s)),
        Mount("/static", _Files(directory=_STATIC)),
    ]
