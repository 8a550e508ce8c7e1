"""The interface: routes, in front of them the gate, limits and time-outs, behind them the deeds."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import Any, Final

import structlog
from pydantic import ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from strikewatch.errors import StrikewatchError
from strikewatch.web.api.alert_routes import Operation
from strikewatch.web.api.health import Health
from strikewatch.web.api.metrics import Metrics
from strikewatch.web.api.openapi import describe
from strikewatch.web.api.problems import Problem, answer, problem_of, unusable
from strikewatch.web.api.schemas import Asked
from strikewatch.web.authentication import Gate
from strikewatch.web.live.stream import Stream
from strikewatch.web.pages.login import Door
from strikewatch.web.pages.rendering import Press
from strikewatch.web.pages.routes import routes
from strikewatch.web.pages.views import Sheets
from strikewatch.web.settings import Settings

_log: Final = structlog.get_logger("http")

Endpoint = Callable[[Request], Awaitable[Response]]
Trouble = Callable[[Problem, Request], Response]


@dataclass(frozen=True, slots=True)
class Page:
    """What the page is made of, beside the gate."""

    press: Press
    door: Door
    sheets: Sheets
    stream: Stream
    close: Callable[[], None]
    """Ends what is under way for it."""


def application(
    settings: Settings,
    gate: Gate,
    operations: Sequence[Operation],
    health: Health,
    metrics: Metrics,
    page: Page,
) -> Starlette:
    description = describe(operations)

    def healthz(_request: Request) -> Response:
        alive = health.pulse.turning
        return answer({"alive": alive}, 200 if alive else 503)

    def readyz(_request: Request) -> Response:
        reasons = health.reasons()
        return answer({"ready": not reasons, "reasons": reasons}, 503 if reasons else 200)

    def measured(request: Request) -> Response:
        gate.admit_metrics(request)
        return Response(metrics.text(), media_type="text/plain; version=0.0.4; charset=utf-8")

    def described(request: Request) -> Response:
        gate.admit(request, "view")
        return answer(description)

    def guarded(endpoint: Endpoint, trouble: Trouble) -> Endpoint:
        return _guarded(endpoint, settings, trouble)

    async def body(request: Request) -> bytes:
        return await _body(request, settings.body_limit_kib * 1024)

    @asynccontextmanager
    async def lifespan(_app: Starlette) -> AsyncIterator[None]:
        running = asyncio.create_task(page.stream.run())
        try:
            yield
        finally:
            running.cancel()
            with suppress(asyncio.CancelledError):
                await running
            page.close()

    plain = {"/healthz": healthz, "/readyz": readyz, "/metrics": measured, "/openapi.json": described}
    made = Starlette(
        routes=[
            *(Route(path, _guarded(_threaded(do), settings), methods=["GET"]) for path, do in plain.items()),
            *(
                Route(one.path, _guarded(_endpoint(one, gate, settings), settings), methods=[one.method])
                for one in operations
            ),
            *routes(guarded, body, gate, page.press, page.door, page.sheets, page.stream),
        ],
        exception_handlers={HTTPException: _not_routed},
        lifespan=lifespan,
    )
    made.router.redirect_slashes = False  # it would send people where the Host header says
    return made


def _threaded(do: Callable[[Request], Response]) -> Endpoint:
    return lambda request: run_in_threadpool(do, request)


def _endpoint(operation: Operation, gate: Gate, settings: Settings) -> Endpoint:
    async def respond(request: Request) -> Response:
        holder = await run_in_threadpool(gate.admit, request, operation.role)
        asked = _asked(operation, request)
        raw = await _body(request, settings.body_limit_kib * 1024)
        body = _told(operation, raw, request.headers.get("content-type", ""))
        done = await run_in_threadpool(operation.do, asked, body, holder.name)
        if operation.role != "view":
            _log.info("deed", deed=operation.name, by=holder.name)
        return answer(done)

    return respond


def _asked(operation: Operation, request: Request) -> Asked:
    pairs = request.query_params.multi_items()
    given = {**dict(pairs), **request.path_params}
    if len(given) != len(pairs) + len(request.path_params):
        raise Problem(422, "a parameter is given twice", "give each once")
    try:
        return operation.parameters.model_validate_strings(given)
    except ValidationError as error:
        raise unusable(error, "parameters") from error


def _told(operation: Operation, raw: bytes, content_type: str) -> Asked | None:
    if operation.body is None:
        return None
    if raw and content_type.partition(";")[0].strip().lower() != "application/json":
        raise Problem(415, "the body is not said to be JSON", "send Content-Type: application/json")
    try:
        body: Asked = operation.body.model_validate_json(raw or b"{}", strict=True)
    except ValidationError as error:
        raise unusable(error, "body") from error
    return body


async def _body(request: Request, limit: int) -> bytes:
    parts, size = [], 0
    async for part in request.stream():
        size += len(part)
        if size > limit:
            raise Problem(413, f"the body is larger than {limit} bytes", "send less at once")
        parts.append(part)
    return b"".join(parts)


def _plain(problem: Problem, _request: Request) -> Response:
    return problem.response()


def _guarded(endpoint: Endpoint, settings: Settings, trouble: Trouble = _plain) -> Endpoint:
    """Whatever goes wrong is answered in one form, and within the time allowed."""

    async def respond(request: Request) -> Response:
        try:
            return await asyncio.wait_for(endpoint(request), settings.timeout_s)
        except TimeoutError:
            return trouble(Problem(408, "not done in time", "ask for less, or try again", 5), request)
        except Problem as problem:
            return trouble(problem, request)
        except StrikewatchError as error:
            return trouble(problem_of(error), request)
        except ClientDisconnect:
            return Response(status_code=400)

    return respond


def _not_routed(_request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    problem = Problem(error.status_code, error.detail.lower(), "see /openapi.json for what there is")
    response: Any = problem.response()
    response.headers.update(error.headers or {})
    return response  # type: ignore[no-any-return]
