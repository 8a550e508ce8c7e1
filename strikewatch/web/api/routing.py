"""What all operations share: their context, the types of parameters and bodies, and how they are served.

An operation is one function of a router. Role, time limit, parameters and body are checked here before it is called.
"""

from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any, Final, TypeVar
from zoneinfo import ZoneInfo

import structlog
from fastapi import APIRouter, Body, Depends, Path, Query
from fastapi.routing import APIRoute
from fastapi.security import HTTPBearer
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema
from pydantic_core import from_json
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant, seconds
from strikewatch.engine.flood import Settings as AlarmSettings
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.sources.mapping import SourceHealth
from strikewatch.storage.actions.alerts import AlertActions
from strikewatch.storage.actions.tokens import Holder, Role
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.sites import Sites
from strikewatch.web.api.problems import Problem, guarded
from strikewatch.web.authentication import Authenticator
from strikewatch.web.settings import Settings

if TYPE_CHECKING:
    from strikewatch.web.api.push import PushEndpoints

_log: Final = structlog.get_logger("http")

BASE_PATH: Final = "/api/v1"
_Operation = TypeVar("_Operation", bound=Callable[..., Any])


class ProblemBody(BaseModel):
    """What is wrong, and the remedy."""

    error: str
    remedy: str


@dataclass(frozen=True, slots=True)
class ApiContext:
    """What operations and pages work on. `wall` gives ns. `sites`: those that the sender may see."""

    settings: Settings
    authenticator: Authenticator
    database: DatabaseAccess
    alarms: AlarmSettings
    wall: Callable[[], Instant]
    max_ahead: Instant
    """How far in the future an entry's time may be, ns."""
    settings_of: Callable[[Key], HammerSettings]
    meter: Callable[[Key], tuple[float, Instant] | None]
    """Gives what a hammer's hour meter should read, h, and the event time of that, ns; None if unknown."""
    zone_of: Callable[[str], ZoneInfo]
    """Gives the time zone of a site."""
    sites: Sites = None
    push: "PushEndpoints | None" = None
    """Notifications in browsers; None if they are switched off."""
    source_health: Callable[[], Sequence[SourceHealth]] = tuple
    """Gives what has been heard of each mapped source."""

    @property
    def alert_actions(self) -> AlertActions:
        """What people do with alerts."""
        return AlertActions(self.database, seconds(self.alarms.longest_shelf_h * 3600), self.sites)

    def limited_to(self, holder: Holder) -> "ApiContext":
        """Return this context, limited to the sites that the sender may see."""
        return self if holder.sites is None else replace(self, sites=holder.sites)


async def _context(request: Request) -> ApiContext:
    context: ApiContext = request.app.state.context
    return context.limited_to(request.state.holder)


async def _user(request: Request) -> str:
    holder: Holder = request.state.holder
    return holder.name


Context = Annotated[ApiContext, Depends(_context)]
User = Annotated[str, Depends(_user)]
"""The name of the token under which a request comes."""


def requires(role: Role) -> Callable[[_Operation], _Operation]:
    """Mark an operation with the role that it needs; one that only reads needs the role view without a mark."""

    def mark(operation: _Operation) -> _Operation:
        operation.required_role = role  # type: ignore[attr-defined]
        return operation

    return mark


class ApiRoute(APIRoute):
    """An operation: the sender is authenticated before anything of the request is read."""

    def __init__(self, path: str, endpoint: Callable[..., Any], **options: Any) -> None:
        role: Role | None = getattr(endpoint, "required_role", None)
        if role is None and set(options["methods"]) != {"GET"}:
            raise TypeError(f"{endpoint!r} changes something: mark it by @requires")
        self.role: Role = role or "view"
        options["summary"] = " ".join((endpoint.__doc__ or "").split())
        options["description"] = f"Needs the role {self.role}."
        super().__init__(path, endpoint, **options)

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Put authentication and limits before FastAPI's validation."""
        validate_and_call = super().get_route_handler()

        async def authenticate_and_call(request: Request) -> Response:
            context: ApiContext = request.app.state.context
            holder = await run_in_threadpool(context.authenticator.authenticate, request, self.role)
            request.state.holder = holder
            self._check_parameters(request)
            check_site(holder, request.query_params.get("site"))
            body = await read_body(request, context.settings.body_limit_kib)
            if self.body_field is not None:
                request = _ParsedRequest(request, body)
            response = await validate_and_call(request)
            if self.role != "view":
                _log.info("operation", operation=self.name, by=holder.name)
            return response

        async def respond(request: Request) -> Response:
            timeout_s = request.app.state.context.settings.timeout_s
            return await guarded(authenticate_and_call, timeout_s)(request)

        return respond

    def _check_parameters(self, request: Request) -> None:
        """Raise Problem for a parameter that is unknown or given twice; FastAPI would ignore it."""
        known = {parameter.alias for parameter in self.dependant.query_params}
        given = [name for name, _ in request.query_params.multi_items()]
        if len(set(given)) != len(given):
            raise Problem(422, "a parameter is given twice", "give each once")
        if unknown := sorted(set(given) - known):
            fields = dict.fromkeys(unknown, "is not a parameter of this operation")
            raise Problem(
                422,
                f"{', '.join(unknown)}: not a parameter of this operation",
                "see /openapi.json for what is accepted",
                fields=fields,
            )


def check_site(holder: Holder, site: str | None) -> None:
    """Raise Problem 403 if a request names a site that its sender may not see."""
    if site is not None and holder.sites is not None and site not in holder.sites:
        allowed = ", ".join(sorted(holder.sites)) or "no site"
        raise Problem(403, f"this token is limited to: {allowed}", "ask for a token for that site")


def check_unlimited(context: "ApiContext") -> None:
    """Raise Problem 403 for an operation that concerns all sites if its sender is limited to some."""
    if context.sites is not None:
        raise Problem(
            403, "this concerns all sites, but the token is limited to some", "use a token without that limit"
        )


class _ParsedRequest(Request):
    """A request with its body parsed as JSON; an empty body counts as {}. Raises Problem."""

    def __init__(self, request: Request, body: bytes) -> None:
        super().__init__(request.scope, request.receive)
        content_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if body and content_type != "application/json":
            raise Problem(415, "the body is not declared as JSON", "send Content-Type: application/json")
        self._body = body or b"{}"
        try:
            self._json = from_json(self._body)
        except ValueError as error:
            what = f"Invalid JSON: {error}"
            raise Problem(422, f"body: {what}", "send valid JSON", fields={"body": what}) from None


async def read_body(request: Request, limit_kib: int) -> bytes:
    """Read the body of a request. Raises Problem 413 as soon as it exceeds the limit."""
    limit = limit_kib * 1024
    parts, size = [], 0
    async for part in request.stream():
        size += len(part)
        if size > limit:
            raise Problem(413, f"the body is larger than {limit} bytes", "send less at once")
        parts.append(part)
    return b"".join(parts)


def api_router() -> APIRouter:
    """Return a router; its operations that change something must be marked by `requires`."""
    failures = (401, 403, 404, 408, 409, 413, 415, 422, 429, 503)
    responses: dict[int | str, dict[str, Any]] = {
        200: {"description": "ActionResult", "content": {"application/json": {"schema": {"type": "object"}}}},
        **{
            status: {"model": ProblemBody, "description": "What is wrong, and the remedy"}
            for status in failures
        },
    }
    return APIRouter(
        prefix=BASE_PATH,
        route_class=ApiRoute,
        responses=responses,
        dependencies=[Depends(HTTPBearer(scheme_name="token", auto_error=False))],
        strict_content_type=False,  # `_ParsedRequest` has checked it
    )


def parse_time(text: object) -> Instant:
    """Parse RFC 3339 with an offset. Raises ValueError for anything else, or a time outside 1970 to 2100."""
    if not isinstance(text, str):
        raise ValueError("is not a time; write it like 2026-03-04T07:15:00Z")
    at = instant.parse(text)
    if not instant.EARLIEST <= at < instant.LATEST:
        raise ValueError("not between 1970 and 2100")
    return at


Word = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00]*$")]
AnyHammer = Annotated[str, Field(max_length=200, pattern=r"^[^\x00]*$")]
"""A hammer; empty for an alert of the processor itself."""
Text = Annotated[str, Field(max_length=1000, pattern=r"^[^\x00]*$")]
Reason = Annotated[str, Field(min_length=1, max_length=1000, pattern=r"^[^\x00]*$")]
TimeText = Annotated[str, Field(max_length=40, json_schema_extra={"format": "date-time"})]
Time = Annotated[
    Instant,
    BeforeValidator(parse_time),
    WithJsonSchema({"type": "string", "format": "date-time", "maxLength": 40}),
]
"""RFC 3339 with an offset; ns."""
Number = Annotated[int, Field(ge=0, le=2**63 - 1)]
Limit = Annotated[int, Field(ge=1, le=1000)]

AlertId = Annotated[Word, Path(description="An id, or the start of one that fits no other")]
HammerName = Annotated[Word, Path()]
SiteName = Annotated[Word | None, Query(description="Needed if two sites have the same alert or hammer")]


class Fields(BaseModel):
    """The body of a request; unknown fields are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class NoFields(Fields):
    """No body, or an empty one."""


class OptionalReason(Fields):
    reason: Text = ""


NoBody = Annotated[NoFields, Body(default_factory=NoFields)]
OptionalReasonBody = Annotated[OptionalReason, Body(default_factory=OptionalReason)]
