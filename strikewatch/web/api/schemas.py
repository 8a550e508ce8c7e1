"""What may be asked: the parameters and bodies of requests, checked before anything is done."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from strikewatch.core import instant
from strikewatch.core.alert import Priority
from strikewatch.core.instant import Instant
from strikewatch.engine.lifecycle import State

_BIGGEST = 2**63 - 1

Word = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00]*$")]
AnyHammer = Annotated[str, Field(max_length=200, pattern=r"^[^\x00]*$")]
"""Empty: of the processor itself."""
Text = Annotated[str, Field(max_length=1000, pattern=r"^[^\x00]*$")]
Reason = Annotated[str, Field(min_length=1, max_length=1000, pattern=r"^[^\x00]*$")]
Time = Annotated[str, Field(max_length=40, json_schema_extra={"format": "date-time"})]
Number = Annotated[int, Field(ge=0, le=_BIGGEST)]
Limit = Annotated[int, Field(ge=1, le=1000)]


class Asked(BaseModel):
    """Anything unknown is a mistake."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Nothing(Asked):
    """No parameters, or no body."""


class Alerts(Asked):
    site: Word | None = None
    hammer: Word | None = None
    fault: Word | None = None
    operator: Word | None = None
    priority: Priority | None = None
    since: Time | None = Field(None, description="The earliest onset, RFC 3339 with an offset")
    state: State | Literal["any"] | None = Field(None, description="Left out: those open")
    limit: Limit = 100


class OneAlert(Asked):
    alert: Word = Field(description="An id, or the start of one that fits no other")
    site: Word | None = Field(None, description="Which, where two sites have the like")


class OneHammer(Asked):
    hammer: Word
    site: Word | None = None


class Span(Asked):
    site: Word | None = None
    begin: Time | None = Field(None, description="RFC 3339 with an offset; left out: 30 days before the end")
    end: Time | None = Field(None, description="RFC 3339 with an offset; left out: now")


class Deliveries(Asked):
    endpoint: Word | None = None
    state: Literal["waiting", "sent", "parked"] | None = None
    alert: Word | None = None
    limit: Limit = 50


class Rejects(Asked):
    site: Word | None = None
    hammer: Word | None = None
    since: Time | None = Field(None, description="Only what was seen since then, RFC 3339 with an offset")
    limit: Limit = 200


class RejectExamples(Asked):
    sender: Word = Field(description="As the list of rejects names it: SITE/HAMMER, or a topic")
    limit: Annotated[int, Field(ge=1, le=100)] = 10


class OneDelivery(Asked):
    number: Number


class OneEndpoint(Asked):
    endpoint: Word


class Ending(Asked):
    reason: Reason


class Comment(Asked):
    comment: Text = ""


class Shelving(Asked):
    until: Time
    reason: Reason


class Unshelving(Asked):
    reason: Text = ""


class EndedGroup(Asked):
    site: Word
    hammer: AnyHammer
    fault: Word
    ended_by: Time = Field(description="As listed: what ended later is left alone")
    comment: Text = ""


class OneShelf(Asked):
    site: Word | None = None
    hammer: AnyHammer
    fault: Word
    reason: Text = ""


class Stay(Asked):
    reason: Reason
    until: Time | None = Field(None, description="Left out: until it is put in service")


class Sending(Asked):
    numbers: list[Number] = Field(default=[], max_length=1000)
    endpoint: Word | None = None

    @model_validator(mode="after")
    def _one_way(self) -> "Sending":
        if bool(self.numbers) == (self.endpoint is not None):
            raise ValueError("name either numbers or an endpoint")
        return self


def moment(text: str) -> Instant:
    """Raises ValueError for what is no RFC 3339 time of an age that we know."""
    at = instant.parse(text)
    if not instant.EARLIEST <= at < instant.LATEST:
        raise ValueError("not between 1970 and 2100")
    return at
