"""The routes of the page: sign-in, pages, the stream, data for scripts, static files."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import parse_qs

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from strikewatch.core.instant import SECOND
from strikewatch.errors import StrikewatchError
from strikewatch.storage.actions.tokens import SESSION_NS
from strikewatch.web.api.problems import ApiResponse, Problem, guarded
from strikewatch.web.api.routing import read_body
from strikewatch.web.authentication import SESSION_COOKIE, Authenticator, csrf_token
from strikewatch.web.live.stream import EventStream
from strikewatch.web.pages.templating import SAFE_HEADERS, Templates
from strikewatch.web.pages.views import SIGN_IN_PATH, Pages, View
from strikewatch.web.settings import Settings

_STATIC: Final = Path(__file__).parent / "static"
_REVALIDATED: Final = {**SAFE_HEADERS, "Cache-Control": "no-cache"}
MOST_READERS: Final = 300
"""Pages that may follow the stream at once."""


@dataclass(frozen=True, slots=True)
class Login:
    """Exchanges a token for a session, kept in a cookie that no script can read."""

    _templates: Templates
    _authenticator: Authenticator
    _tls_only: bool

    def form(self, request: Request, status: int = 200, error_key: str = "", to: str = "/") -> Response:
        """Show the form; `error_key` is the key of a text, `to` the page that follows."""
        to = _local_path(request.query_params.get("to", to))
        formatting = self._templates.formatting(request)
        return self._templates.render(formatting, "sign_in.html", status, error_key=error_key, to=to)

    def sign_in(self, request: Request, body: bytes) -> Response:
        """Sign in with the token of the form and redirect to the page that was asked for."""
        form = _parse_form(body)
        to = _local_path(form.get("to", "/"))
        if request.headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return self.form(request, 403, "sign_in.elsewhere", to)
        try:
            cookie = self._authenticator.sign_in(request, form.get("token", ""))
        except Problem as problem:
            return self.form(request, problem.status, "sign_in.patience", to)
        if cookie is None:
            return self.form(request, 401, "sign_in.wrong", to)
        response = RedirectResponse(to, 303, SAFE_HEADERS)
        response.set_cookie(
            SESSION_COOKIE,
            cookie,
            max_age=SESSION_NS // SECOND,
            httponly=True,
            samesite="strict",
            secure=self._tls_only,
        )
        return response

    def sign_out(self, request: Request, body: bytes) -> Response:
        """Sign out if the form carries the CSRF token."""
        form = _parse_form(body)
        response = RedirectResponse(SIGN_IN_PATH, 303, SAFE_HEADERS)
        csrf = form.get("csrf_token", form.get("seal", ""))  # the earlier name, on pages that are still open
        if csrf == csrf_token(request.cookies.get(SESSION_COOKIE, "")):
            self._authenticator.sign_out(request)
            response.delete_cookie(SESSION_COOKIE, httponly=True, samesite="strict", secure=self._tls_only)
        return response


def _parse_form(body: bytes) -> dict[str, str]:
    return {name: values[-1] for name, values in parse_qs(body.decode(errors="replace")).items()}


def _local_path(path: str) -> str:
    """Return a path on this server, "/" for anything else."""
    local = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if local else "/"


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
                await run_in_threadpool(authenticator.authenticate, request, "view")
            except (Problem, StrikewatchError):
                return False
            return True

        await run_in_threadpool(authenticator.authenticate, request, "view")
        if stream.readers >= MOST_READERS:
            raise Problem(503, "too many pages are open", "close some", 30)
        return await stream.respond(is_allowed)

    async def trace(request: Request) -> Response:
        await run_in_threadpool(authenticator.authenticate, request, "view")
        return ApiResponse(await run_in_threadpool(pages.trace, request))

    async def service_worker(_request: Request) -> Response:
        # At the root: a service worker may only serve paths beside or below its own.
        return FileResponse(_STATIC / "offline.js", headers=_REVALIDATED, media_type="text/javascript")

    return [
        *(page(path, view) for path, view in pages.views().items()),
        page("/review/{site}", pages.review, "review"),
        html(SIGN_IN_PATH, lambda request: run_in_threadpool(login.form, request)),
        form(SIGN_IN_PATH, login.sign_in),
        form("/sign-out", login.sign_out),
        Route("/stream", guarded(follow, settings.timeout_s)),
        Route("/trace/{site}/{alert}", guarded(trace, settings.timeout_s)),
        Route("/offline.js", guarded(service_worker, settings.timeout_s)),
        Mount("/static", _Files(directory=_STATIC)),
    ]
