"""What comes back when something is wrong: what, and the remedy, in one form."""

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError
from starlette.responses import JSONResponse

from strikewatch.errors import Refused, StrikewatchError, Unknown


class Problem(Exception):  # noqa: N818 - it is an answer, not a fault
    """A request that cannot be met, with its status of HTTP. `fields`: of a body or of parameters, what is wrong.
    `confirm`: it is only unusual, and is taken once confirmed."""

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

    def response(self) -> JSONResponse:
        headers = {"WWW-Authenticate": "Bearer"} if self.status == 401 else {}
        if self.retry_s is not None:
            headers["Retry-After"] = str(self.retry_s)
        told: dict[str, Any] = {"error": self.error, "remedy": self.remedy}
        if self.fields:
            told["fields"] = self.fields
        if self.confirm:
            told["confirm"] = True
        return answer(told, self.status, headers)


def answer(content: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> JSONResponse:
    """JSON that nothing keeps and no browser takes for something else."""
    safe = {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"}
    return JSONResponse(content, status, {**safe, **(headers or {})})


def problem_of(error: StrikewatchError) -> Problem:
    """What to say of an error of ours. Of the database only that it refuses: where it is is nobody's business here."""
    if isinstance(error, Refused):
        said, _, remedy = str(error).partition("; ")
        return Problem(
            404 if isinstance(error, Unknown) else 409, said, remedy or "see what stands there now"
        )
    return Problem(503, "the database refuses for now", "try again; the processor's log says why", 5)


def unusable(error: ValidationError, where: str) -> Problem:
    """Every mistake of a request, each with its place."""
    found = {
        ".".join(map(str, one["loc"])) or where: one["msg"].removeprefix("Value error, ")
        for one in error.errors(include_url=False, include_input=False, include_context=False)[:20]
    }
    told = "; ".join(f"{name}: {what}" for name, what in found.items())
    return Problem(422, told, "see /openapi.json for what is taken", fields=found)
