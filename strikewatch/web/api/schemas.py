"""Types of parameters and bodies that several operations share."""

from typing import Annotated

from fastapi import Body, Path, Query
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from strikewatch.core import instant
from strikewatch.core.instant import Instant


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
