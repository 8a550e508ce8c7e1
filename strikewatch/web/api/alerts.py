"""Operations on alerts: search, active alerts, handling, shelving, hammers out of service, alarm metrics."""

from typing import Annotated, Final, Literal

from fastapi import Body, Query
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.alert import PRIORITIES, Priority
from strikewatch.engine.alarm_kpis import DAY, compute_kpis
from strikewatch.engine.flood import Rules
from strikewatch.engine.lifecycle import ACTIVE, STATES, State
from strikewatch.storage.actions.transaction import ActionResult
from strikewatch.storage.queries.active import count_sent, counts, ended_groups, list_mutes
from strikewatch.storage.queries.alerts import Filter, intervals, search
from strikewatch.web.api.problems import ApiResponse, Problem
from strikewatch.web.api.routing import (
    AlertId,
    AnyHammer,
    Context,
    Fields,
    HammerName,
    Limit,
    OptionalReasonBody,
    Reason,
    SiteName,
    Text,
    Time,
    User,
    Word,
    api_router,
    requires,
)

router = api_router()
_KPI_SPAN: Final = 30 * DAY
_MICROSECOND: Final = 1000


class Comment(Fields):
    comment: Text = ""


class Shelving(Fields):
    until: Time
    reason: Reason


class AlertName(Fields):
    site: Word
    id: Word


AlertNames = Annotated[list[AlertName], Field(min_length=1, max_length=1000)]


class SeveralAlerts(Fields):
    alerts: AlertNames
    comment: Text = ""


class SeveralShelved(Fields):
    alerts: AlertNames
    until: Time
    reason: Reason


class OutOfService(Fields):
    reason: Reason
    until: Time | None = Field(None, description="Left out: until it is put back in service")


class EndedGroup(Fields):
    site: Word
    hammer: AnyHammer
    fault: Word
    ended_by: Time = Field(description="As listed: alerts that ended later are left alone")
    comment: Text = ""


class Shelf(Fields):
    site: Word | None = None
    hammer: AnyHammer
    fault: Word
    reason: Text = ""


StateFilter = Annotated[State | Literal["any"] | None, Query(description="Left out: those open")]
EarliestOnset = Annotated[Time | None, Query(description="The earliest onset, RFC 3339 with an offset")]
SpanBegin = Annotated[
    Time | None, Query(description="RFC 3339 with an offset; left out: 30 days before the end")
]
SpanEnd = Annotated[Time | None, Query(description="RFC 3339 with an offset; left out: now")]


@router.get("/alerts")
def alerts(
    context: Context,
    site: Word | None = None,
    hammer: Word | None = None,
    fault: Word | None = None,
    operator: Word | None = None,
    priority: Priority | None = None,
    since: EarliestOnset = None,
    state: StateFilter = None,
    limit: Limit = 100,
) -> ApiResponse:
    """Search alerts, the newest onset first; `total` counts all that match, whatever the limit."""
    states = None if state is None else STATES if state == "any" else (state,)
    filter_ = Filter(site, hammer, fault, operator, priority, since, states)
    matching = context.alert_actions.alerts(filter_, limit)
    total = len(matching) if len(matching) < limit else context.alert_actions.count(filter_)
    return ApiResponse({"alerts": [listed.json() for listed in matching], "total": total})


@router.get("/active")
def active(context: Context) -> ApiResponse:
    """List all active alerts, the highest priority first; true counts by state and priority; ended alerts in groups."""
    with context.database.read() as connection:
        listed = search(connection, Filter(states=ACTIVE, sites=context.sites), order="gravity")
        groups = ended_groups(connection, context.sites)
        counted = counts(connection, context.sites)
    by_state: dict[str, dict[str, int]] = {}
    for (state, priority), count in sorted(counted.items()):
        by_state.setdefault(state, dict.fromkeys(PRIORITIES[::-1], 0))[priority] = count
    return ApiResponse(
        {
            "counts": by_state,
            "alerts": [alert.json() for alert in listed],
            "ended": [group.json() for group in groups],
        }
    )


@router.get("/muted")
def muted(context: Context) -> ApiResponse:
    """List everything that is muted: by whom, why, until when; and how the alerts of the last 24 h were sent."""
    with context.database.read() as connection:
        mutes = list_mutes(connection, context.alarms.suppressed, context.sites)
        last_day = count_sent(connection, context.wall() - DAY, context.sites)
    return ApiResponse(
        {
            "muted": [mute.json() for mute in mutes],
            "last_24_h": {
                "alerts": last_day.alerts,
                "sent_singly": last_day.singly,
                "sent_in_digests": last_day.in_digests,
                "waiting": last_day.waiting,
                "not_sent": last_day.unsent,
            },
        }
    )


@router.get("/alerts/{alert}")
def alert(context: Context, alert: AlertId, site: SiteName = None) -> ApiResponse:
    """Show one alert in its present state."""
    return ApiResponse(context.alert_actions.alert(alert, site).json())


@router.get("/alerts/{alert}/history")
def history(context: Context, alert: AlertId, site: SiteName = None) -> ApiResponse:
    """List what was done with an alert: by whom, when, why."""
    return ApiResponse({"history": context.alert_actions.history(alert, site)})


@router.get("/figures")
def figures(
    context: Context, site: Word | None = None, begin: SpanBegin = None, end: SpanEnd = None
) -> ApiResponse:
    """Compute the alarm metrics of each site: how many alerts people get."""
    end = context.wall() if end is None else end
    begin = max(end - _KPI_SPAN, instant.EARLIEST) if begin is None else begin
    if end <= begin:
        raise Problem(422, "begin is not before end", "name an earlier begin")
    with context.database.read() as connection:
        by_site = intervals(connection, end, context.sites, begin)
    rules = Rules.of(context.alarms)
    return ApiResponse(
        {
            "figures": [
                {"site": name, **compute_kpis(intervals_of_site, begin, end, rules).as_json()}
                for name, intervals_of_site in sorted(by_site.items())
                if site in (None, name)
            ]
        }
    )


@router.post("/alerts/{alert}/acknowledge")
@requires("act")
def acknowledge(
    context: Context,
    user: User,
    alert: AlertId,
    body: Annotated[Comment, Body(default_factory=Comment)],
    site: SiteName = None,
) -> ApiResponse:
    """Acknowledge an alert."""
    return _changed(
        context.alert_actions.acknowledge(alert, by=user, comment=body.comment, now=context.wall(), site=site)
    )


@router.post("/alerts/acknowledge")
@requires("act")
def acknowledge_all(context: Context, user: User, body: SeveralAlerts) -> ApiResponse:
    """Acknowledge several alerts, all or none."""
    names = [(alert.site, alert.id) for alert in body.alerts]
    return _changed(
        context.alert_actions.acknowledge_all(names, by=user, comment=body.comment, now=context.wall())
    )


@router.post("/alerts/acknowledge-ended")
@requires("act")
def acknowledge_ended(context: Context, user: User, body: EndedGroup) -> ApiResponse:
    """Acknowledge the alerts of one fault of a hammer that had ended by a time."""
    # A time in a response leaves out what is below a microsecond.
    ended_by = body.ended_by + _MICROSECOND - 1
    return _changed(
        context.alert_actions.acknowledge_ended(
            body.hammer,
            body.fault,
            ended_by=ended_by,
            by=user,
            comment=body.comment,
            now=context.wall(),
            site=body.site,
        )
    )


@router.post("/alerts/{alert}/shelve")
@requires("act")
def shelve(
    context: Context, user: User, alert: AlertId, body: Shelving, site: SiteName = None
) -> ApiResponse:
    """Shelve an active alert, and further ones of that fault of its hammer, until a time; 409 once it has ended."""
    return _changed(
        context.alert_actions.shelve(
            alert, until=body.until, by=user, reason=body.reason, now=context.wall(), site=site
        )
    )


@router.post("/alerts/shelve")
@requires("act")
def shelve_all(context: Context, user: User, body: SeveralShelved) -> ApiResponse:
    """Shelve several active alerts until a time, all or none; 409 if one of them has ended."""
    names = [(alert.site, alert.id) for alert in body.alerts]
    return _changed(
        context.alert_actions.shelve_all(
            names, until=body.until, by=user, reason=body.reason, now=context.wall()
        )
    )


@router.post("/alerts/{alert}/unshelve")
@requires("act")
def unshelve(
    context: Context, user: User, alert: AlertId, body: OptionalReasonBody, site: SiteName = None
) -> ApiResponse:
    """End shelving before its time, by an alert."""
    return _changed(
        context.alert_actions.unshelve(alert, by=user, reason=body.reason, now=context.wall(), site=site)
    )


@router.post("/shelves/end")
@requires("act")
def end_shelving(context: Context, user: User, body: Shelf) -> ApiResponse:
    """End shelving before its time, by a fault of a hammer."""
    return _changed(
        context.alert_actions.end_shelving(
            body.hammer, body.fault, by=user, reason=body.reason, now=context.wall(), site=body.site
        )
    )


@router.post("/hammers/{hammer}/out-of-service")
@requires("act")
def out_of_service(
    context: Context, user: User, hammer: HammerName, body: OutOfService, site: SiteName = None
) -> ApiResponse:
    """Take a hammer out of service, such as for the workshop: its alerts are recorded but not sent."""
    return _changed(
        context.alert_actions.out_of_service(
            hammer, by=user, reason=body.reason, until=body.until, now=context.wall(), site=site
        )
    )


@router.post("/hammers/{hammer}/in-service")
@requires("act")
def in_service(
    context: Context, user: User, hammer: HammerName, body: OptionalReasonBody, site: SiteName = None
) -> ApiResponse:
    """Put a hammer back in service."""
    return _changed(
        context.alert_actions.in_service(hammer, by=user, reason=body.reason, now=context.wall(), site=site)
    )


def _changed(result: ActionResult) -> ApiResponse:
    """Return the result of an action: the alert, if one was named, and how many alerts changed."""
    site, hammer = result.key
    alert = None if result.alert is None else result.alert.json()
    return ApiResponse({"site": site, "hammer": hammer, "changed": result.changed, "alert": alert})
