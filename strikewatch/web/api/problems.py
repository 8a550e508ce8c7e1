"""Error responses: every failure is answered in one form, `error` and `remedy`."""

import asyncio
from collections.abc import Awaitable, Callable, Coroutine, Mapping, Sequence
from typing import Any, Final

from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from strikewatch.errors import Refused, StrikewatchError, Unknown

_SAFE_HEADERS: Final = {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"}
_MOST_MISTAKES: Final = 20


_IN_WORDS: Final[dict[str, str]] = {
    "missing": "is required",
    "string_pattern_mismatch": "contains a character that is not allowed",
    "string_too_short": "must not be empty",
    "string_too_long": "is too long: at most {max_length} characters",
    "extra_forbidden": "is not known here",
}
"""Mistakes that pydantic words for programmers, by its type of error."""


class ApiResponse(JSONResponse):
    """JSON that is never cached and never taken for another type."""

    def __init__(self, content: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(content, status, {**_SAFE_HEADERS, **(headers or {})})


class Problem(Exception):  # noqa: N818 - it is an answer, not a fault
    """A request that cannot be met, with its HTTP status. `fields`: what is wrong, by field or parameter.

    `confirm`: the values are only unusual and are accepted once confirmed.
    """

    def __init__(
        self,
        status: int,
        error: str,
        remedy: str,
        retry_s: int | None = None,
        fields: Mapping[str, str] | None = None,
        *,
        confirm: bool = False,
    ) -> None:
        self.status = status
        self.error = error
        self.remedy = remedy
        self.retry_s = retry_s
        self.fields = fields
        self.confirm = confirm
        super().__init__(error)

    def response(self) -> Response:
        """Return the problem as JSON."""
        headers = {"WWW-Authenticate": "Bearer"} if self.status == 401 else {}
        if self.retry_s is not None:
            headers["Retry-After"] = str(self.retry_s)
        content: dict[str, Any] = {"error": self.error, "remedy": self.remedy}
        if self.fields:
            content["fields"] = self.fields
        if self.confirm:
            content["confirm"] = True
        return ApiResponse(content, self.status, headers)


Endpoint = Callable[[Request], Awaitable[Response]]
ProblemPage = Callable[[Problem, Request], Response]


def guarded(
    endpoint: Endpoint,
    timeout_s: float,
    render: ProblemPage = lambda problem, _request: problem.response(),
) -> Endpoint:
    """Limit an endpoint to `timeout_s` and answer its failures through `render`."""

    async def respond(request: Request) -> Response:
        try:
            return await asyncio.wait_for(endpoint(request), timeout_s)
        except TimeoutError:
            problem = Problem(408, "not done in time", "ask for less, or try again", 5)
        except Problem as raised:
            problem = raised
        except RequestValidationError as error:
            problem = invalid(
                error.errors(), skip=1
            )  # the first part of a place is "query", "path" or "body"
        except StrikewatchError as error:
            problem = _of_error(error)
        except ClientDisconnect:
            return Response(status_code=400)
        return render(problem, request)

    return respond


def invalid(mistakes: Sequence[Any], skip: int = 0) -> Problem:
    """Return the Problem for mistakes found by pydantic, each with its place without its first `skip` parts."""
    fields = {
        ".".join(map(str, mistake["loc"][skip:])) or "body": _in_words(mistake)
        for mistake in mistakes[:_MOST_MISTAKES]
    }
    return Problem(422, one_line(fields), "see /openapi.json for what is accepted", fields=fields)


def _in_words(mistake: Any) -> str:
    words = _IN_WORDS.get(mistake["type"])
    return words.format(**mistake.get("ctx", {})) if words else mistake["msg"].removeprefix("Value error, ")


def one_line(fields: Mapping[str, str]) -> str:
    """Join what is wrong with each field in one line."""
    return "; ".join(f"{name}: {problem}" for name, problem in fields.items())


def not_routed(render: ProblemPage) -> Callable[[Request, Any], Coroutine[Any, Any, Response]]:
    """Return what answers an unknown path or method: a browser that opens a page gets one, all others JSON."""

    async def respond(request: Request, error: HTTPException) -> Response:
        if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
            return render(Problem(error.status_code, "there is no such page", "check the address"), request)
        problem = Problem(error.status_code, error.detail.lower(), "see /openapi.json for all operations")
        response = problem.response()
        response.headers.update(error.headers or {})
        allow = response.headers.get("Allow", "")
        if "GET" in allow and "HEAD" not in allow:
            response.headers["Allow"] = f"HEAD, {allow}"
        return response

    return respond


def _of_error(error: StrikewatchError) -> Problem:
    """Return the Problem of one of our errors. Of a database error it hides the details, such as paths."""
    if isinstance(error, Refused):
        problem, _, remedy = str(error).partition("; ")
        return Problem(
            404 if isinstance(error, Unknown) else 409, problem, remedy or "look at its present state"
        )
    return Problem(503, "the database refuses for now", "try again; the processor's log says why", 5)
