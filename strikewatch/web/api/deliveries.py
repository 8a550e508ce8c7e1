"""Operations on deliveries and endpoints: list, send again, test, switch off and on.

The dispatcher of a running processor notices a change within about a second.
"""

from typing import Annotated, Literal

from fastapi import Path
from pydantic import Field, model_validator
from sqlalchemy import Connection

from strikewatch.errors import Refused, Unknown
from strikewatch.storage.outbox import deliveries as outbox
from strikewatch.web.api.problems import ApiResponse
from strikewatch.web.api.routing import (
    Context,
    Fields,
    Limit,
    NoBody,
    Number,
    Reason,
    User,
    Word,
    api_router,
    check_unlimited,
    requires,
)

router = api_router()
DeliveryNumber = Annotated[Number, Path()]
EndpointName = Annotated[Word, Path()]


class Resend(Fields):
    numbers: list[Number] = Field(default=[], max_length=1000)
    endpoint: Word | None = None

    @model_validator(mode="after")
    def _one_of_both(self) -> "Resend":
        if bool(self.numbers) == (self.endpoint is not None):
            raise ValueError("name either numbers or an endpoint")
        return self


class SwitchOff(Fields):
    reason: Reason


@router.get("/deliveries")
def deliveries(
    context: Context,
    endpoint: Word | None = None,
    state: Literal["waiting", "sent", "parked"] | None = None,
    alert: Word | None = None,
    limit: Limit = 50,
) -> ApiResponse:
    """Search deliveries, the newest first; `off` names the endpoints that are switched off."""
    with context.database.read() as connection:
        found = outbox.search(
            connection, endpoint=endpoint, state=state, alert=alert, limit=limit, sites=context.sites
        )
        off = outbox.switched_off(connection)
    return ApiResponse({"deliveries": [delivery.json() for delivery in found], "off": off})


@router.get("/deliveries/{number}")
def delivery(context: Context, number: DeliveryNumber) -> ApiResponse:
    """Show one delivery with its content and every attempt on record."""
    with context.database.read() as connection:
        found, attempts = outbox.look_up(connection, number, context.sites)
    return ApiResponse(
        {**found.json(), "tried": [attempt.json() for attempt in attempts], "data": found.body}
    )


@router.post("/deliveries/send")
@requires("review")
def send(context: Context, body: Resend) -> ApiResponse:
    """Send dead-lettered deliveries again, with all others of the same alerts."""
    if body.endpoint:
        check_unlimited(context)
    with context.database.write() as connection:
        if body.endpoint:
            names = {body.endpoint}
        else:
            names = {outbox.look_up(connection, number, context.sites)[0].endpoint for number in body.numbers}
        for name in sorted(names):
            _check_on(connection, name)
        again = outbox.send_again(connection, context.wall(), numbers=body.numbers, endpoint=body.endpoint)
    return ApiResponse({"again": again})


@router.get("/endpoints")
def endpoints(context: Context) -> ApiResponse:
    """List the endpoints; `off` says why one is switched off."""
    with context.database.read() as connection:
        off, known = outbox.switched_off(connection), outbox.endpoint_names(connection)
    return ApiResponse({"endpoints": [{"endpoint": name, "off": off.get(name)} for name in known]})


@router.post("/endpoints/{endpoint}/test")
@requires("act")
def test(context: Context, endpoint: EndpointName, _body: NoBody) -> ApiResponse:
    """Send a test to an endpoint as an alert is sent; the delivery of the returned number shows the result."""
    check_unlimited(context)
    with context.database.write() as connection:
        _check_known(connection, endpoint)
        _check_on(connection, endpoint)
        return ApiResponse({"number": outbox.queue_test(connection, endpoint, context.wall())})


@router.post("/endpoints/{endpoint}/on")
@requires("act")
def switch_on(context: Context, endpoint: EndpointName, _body: NoBody) -> ApiResponse:
    """Switch an endpoint on; deliveries that were dead-lettered meanwhile stay so until they are sent again."""
    check_unlimited(context)
    with context.database.write() as connection:
        _check_known(connection, endpoint)
        return ApiResponse({"changed": int(outbox.switch_on(connection, endpoint))})


@router.post("/endpoints/{endpoint}/off")
@requires("act")
def switch_off(context: Context, user: User, endpoint: EndpointName, body: SwitchOff) -> ApiResponse:
    """Switch an endpoint off: waiting and new deliveries are dead-lettered."""
    check_unlimited(context)
    with context.database.write() as connection:
        _check_known(connection, endpoint)
        reason = f"switched off by {user}: {body.reason}"
        changed = outbox.switch_off(connection, endpoint, reason, context.wall())
        return ApiResponse({"changed": int(changed)})


def _check_known(connection: Connection, endpoint: str) -> None:
    known = outbox.endpoint_names(connection)
    if endpoint not in known:
        raise Unknown(f"there is no endpoint {endpoint!r}; there are: {', '.join(known) or 'none'}")


def _check_on(connection: Connection, endpoint: str) -> None:
    if endpoint in outbox.switched_off(connection):
        raise Refused(f"{endpoint} is switched off; first: strikewatch deliveries on {endpoint}")
