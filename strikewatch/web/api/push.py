"""Operations on notifications in browsers: sign up a browser, send it a test, remove it."""

from typing import Annotated, Final, Protocol

from pydantic import Field, ValidationError

from strikewatch.core.alert import Priority
from strikewatch.errors import Unknown
from strikewatch.sinks import web_push
from strikewatch.sinks.settings import HttpTarget
from strikewatch.storage.actions.push_subscriptions import PushSubscription, endpoint_name
from strikewatch.web.api.problems import ApiResponse, Problem
from strikewatch.web.api.routing import Context, Fields, User, api_router, requires

router = api_router()
OFF_REMEDY: Final = "set push.enabled in the processor's settings and restart it"


class PushEndpoints(Protocol):
    """What these operations work on: `service.push`."""

    @property
    def public_key(self) -> str: ...

    def find(self, who: str, name: str) -> PushSubscription | None: ...

    def subscribe(self, subscription: PushSubscription) -> None: ...

    def remove(self, name: str, reason: str) -> None: ...

    def queue_test(self, name: str) -> int: ...


BrowserAddress = Annotated[str, Field(min_length=1, max_length=2000, pattern=r"^[!-~]+$")]
KeyText = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[A-Za-z0-9_=-]+$")]


class Keys(Fields):
    p256dh: KeyText
    auth: KeyText


class Subscription(Fields):
    endpoint: BrowserAddress = Field(description="As the browser's PushSubscription has it")
    keys: Keys
    lowest: Priority = Field("medium", description="The lowest priority that is sent")


class Browser(Fields):
    endpoint: BrowserAddress


@router.get("/push")
def push(context: Context) -> ApiResponse:
    """Show whether browsers can get notifications, and the key to subscribe with."""
    key = None if context.push is None else context.push.public_key
    return ApiResponse({"enabled": key is not None, "public_key": key})


@router.post("/push/subscribe")
@requires("view")
def subscribe(context: Context, user: User, body: Subscription) -> ApiResponse:
    """Send alerts to a browser, of the sites that the token is good for, for as long as the token is valid."""
    endpoints = _endpoints(context.push, user)
    try:
        web_push.check_keys(body.keys.p256dh, body.keys.auth)
        HttpTarget(url=body.endpoint)
    except (ValueError, ValidationError):
        raise Problem(
            422, "this is not what a browser's PushSubscription holds", "send its endpoint and keys unchanged"
        ) from None
    subscription = PushSubscription(
        user, body.endpoint, body.keys.p256dh, body.keys.auth, body.lowest, context.wall()
    )
    endpoints.subscribe(subscription)
    return ApiResponse({"endpoint": subscription.name, "lowest": subscription.lowest})


@router.post("/push/find")
@requires("view")
def find_browser(context: Context, user: User, body: Browser) -> ApiResponse:
    """Show whether a browser gets alerts under this token, and the lowest priority of these."""
    found = _endpoints(context.push, user).find(user, endpoint_name(body.endpoint))
    return ApiResponse({"subscribed": found is not None, "lowest": found and found.lowest})


@router.post("/push/test")
@requires("view")
def test_browser(context: Context, user: User, body: Browser) -> ApiResponse:
    """Send a test to a browser as an alert is sent; the delivery of the returned number shows the result."""
    endpoints = _endpoints(context.push, user)
    return ApiResponse({"number": endpoints.queue_test(_own(endpoints, user, body))})


@router.post("/push/unsubscribe")
@requires("view")
def unsubscribe(context: Context, user: User, body: Browser) -> ApiResponse:
    """Send nothing more to a browser."""
    endpoints = _endpoints(context.push, user)
    endpoints.remove(_own(endpoints, user, body), f"switched off by {user}")
    return ApiResponse({"changed": 1})


def _endpoints(endpoints: PushEndpoints | None, user: str) -> PushEndpoints:
    if endpoints is None:
        raise Problem(409, "notifications in browsers are switched off", OFF_REMEDY)
    if not user:
        raise Problem(403, "notifications need a token", "sign in with one")
    return endpoints


def _own(endpoints: PushEndpoints, user: str, body: Browser) -> str:
    name = endpoint_name(body.endpoint)
    if endpoints.find(user, name) is None:
        raise Unknown("this browser gets no notifications under this token; switch them on first")
    return name
