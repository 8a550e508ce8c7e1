"""The page's routes: the door, the sheets, the stream, what scripts draw from, and the files that go with them."""

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from strikewatch.errors import StrikewatchError
from strikewatch.web.api.problems import Problem
from strikewatch.web.authentication import Gate
from strikewatch.web.live.stream import Stream
from strikewatch.web.pages.login import PATH, Door
from strikewatch.web.pages.rendering import SAFE, Press
from strikewatch.web.pages.views import Sheet, Sheets

_STATIC: Final = Path(__file__).parent / "static"
READERS: Final = 300
"""Who may follow the stream at once."""

Guard = Callable[[Callable[[Request], Awaitable[Response]], Callable[[Problem, Request], Response]], Any]
Body = Callable[[Request], Awaitable[bytes]]


class _Files(StaticFiles):
    """Files that a browser asks for anew, and gets only if they have changed."""

    def file_response(self, *args: Any, **more: Any) -> Response:
        response = super().file_response(*args, **more)
        response.headers.update({**SAFE, "Cache-Control": "no-cache"})
        return response


def routes(
    guard: Guard, body: Body, gate: Gate, press: Press, door: Door, sheets: Sheets, stream: Stream
) -> list[BaseRoute]:
    """`guard` puts limits and answers to trouble around an endpoint, `body` reads what a form sent."""

    def trouble(problem: Problem, request: Request) -> Response:
        view = press.view(request)
        return press.html(view, "trouble.html", problem.status, error=problem.error, remedy=problem.remedy)

    def sheet(show: Sheet) -> Callable[[Request], Awaitable[Response]]:
        return lambda request: run_in_threadpool(sheets.admitted, request, show)

    async def shown(request: Request) -> Response:
        return await run_in_threadpool(door.show, request)

    async def entered(request: Request) -> Response:
        return await run_in_threadpool(door.enter, request, await body(request))

    async def left(request: Request) -> Response:
        return await run_in_threadpool(door.leave, request, await body(request))

    async def followed(request: Request) -> Response:
        async def admitted() -> bool:
            try:
                await run_in_threadpool(gate.admit, request, "view")
            except (Problem, StrikewatchError):
                return False
            return True

        await run_in_threadpool(gate.admit, request, "view")
        if stream.readers >= READERS:
            raise Problem(503, "too many pages are open", "close some", 30)
        return await stream.respond(admitted)

    async def traced(request: Request) -> Response:
        await run_in_threadpool(gate.admit, request, "view")
        found = await run_in_threadpool(sheets.trace, request)
        return JSONResponse(found, headers={"Cache-Control": "no-store"})

    async def reviewed(request: Request) -> Response:
        return await run_in_threadpool(sheets.admitted, request, sheets.review, "review")

    async def worker(_request: Request) -> Response:
        # At the root, since a script like this one may only serve what lies beside or below it.
        headers = {**SAFE, "Cache-Control": "no-cache"}
        return FileResponse(_STATIC / "offline.js", headers=headers, media_type="text/javascript")

    def plain(problem: Problem, _request: Request) -> Response:
        return problem.response()

    return [
        *(Route(path, guard(sheet(show), trouble), methods=["GET"]) for path, show in sheets.sheets()),
        Route(PATH, guard(shown, trouble), methods=["GET"]),
        Route(PATH, guard(entered, trouble), methods=["POST"]),
        Route("/sign-out", guard(left, trouble), methods=["POST"]),
        Route("/stream", guard(followed, plain), methods=["GET"]),
        Route("/review/{site}", guard(reviewed, trouble), methods=["GET"]),
        Route("/trace/{site}/{alert}", guard(traced, plain), methods=["GET"]),
        Route("/offline.js", guard(worker, plain), methods=["GET"]),
        Mount("/static", _Files(directory=_STATIC)),
    ]
