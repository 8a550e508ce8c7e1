"""What the interface does for those who may: each deed looks at, or changes, the database once."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from strikewatch.core import instant
from strikewatch.core.instant import Instant, seconds
from strikewatch.engine.alarm_kpis import DAY, compute_kpis
from strikewatch.engine.flood import Rules
from strikewatch.engine.flood import Settings as Alarms
from strikewatch.engine.lifecycle import STATES
from strikewatch.storage.actions.alerts import ActionResult, AlertActions
from strikewatch.storage.actions.tokens import Role
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.alerts import Filter, intervals
from strikewatch.web.api import schemas
from strikewatch.web.api.problems import Problem

BEFORE: Final = 30 * DAY
BASE: Final = "/api/v1"


@dataclass(frozen=True, slots=True)
class Operation:
    """One way to ask: `do(parameters, body, by)` answers what becomes JSON."""

    method: str
    path: str
    role: Role
    parameters: type[schemas.Asked]
    body: type[schemas.Asked] | None
    do: Callable[[Any, Any, str], Any]

    @property
    def name(self) -> str:
        return self.do.__name__

    @property
    def summary(self) -> str:
        return (self.do.__doc__ or "").strip()


class Deeds:
    """All of them, on a place. `wall` tells ns."""

    def __init__(
        self, place: DatabaseAccess, alarms: Alarms, wall: Callable[[], Instant] = time.time_ns
    ) -> None:
        self._place = place
        self._rules = Rules.of(alarms)
        self._desk = AlertActions(place, seconds(alarms.longest_shelf_h * 3600))
        self._wall = wall

    def operations(self) -> list[Operation]:
        alert, hammer = f"{BASE}/alerts/{{alert}}", f"{BASE}/hammers/{{hammer}}"
        return [
            Operation("GET", f"{BASE}/alerts", "view", schemas.Alerts, None, self.alerts),
            Operation("GET", alert, "view", schemas.OneAlert, None, self.alert),
            Operation("GET", f"{alert}/history", "view", schemas.OneAlert, None, self.history),
            Operation("GET", f"{BASE}/figures", "view", schemas.Span, None, self.figures),
            Operation(
                "POST", f"{alert}/acknowledge", "act", schemas.OneAlert, schemas.Comment, self.acknowledge
            ),
            Operation("POST", f"{alert}/shelve", "act", schemas.OneAlert, schemas.Shelving, self.shelve),
            Operation(
                "POST", f"{alert}/unshelve", "act", schemas.OneAlert, schemas.Unshelving, self.unshelve
            ),
            Operation(
                "POST",
                f"{hammer}/out-of-service",
                "act",
                schemas.OneHammer,
                schemas.Stay,
                self.out_of_service,
            ),
            Operation(
                "POST", f"{hammer}/in-service", "act", schemas.OneHammer, schemas.Unshelving, self.in_service
            ),
        ]

    def alerts(self, q: schemas.Alerts, _body: None, _by: str) -> Any:
        """Alerts that fit, the newest onset first; `total` is how many fit, whatever the limit."""
        states = None if q.state is None else STATES if q.state == "any" else (q.state,)
        since = None if q.since is None else moment(q.since, "since")
        wanted = Filter(q.site, q.hammer, q.fault, q.operator, q.priority, since, states)
        found = self._desk.alerts(wanted, q.limit)
        total = len(found) if len(found) < q.limit else self._desk.count(wanted)
        return {"alerts": [one.json() for one in found], "total": total}

    def alert(self, q: schemas.OneAlert, _body: None, _by: str) -> Any:
        """One alert as it stands."""
        return self._desk.alert(q.alert, q.site).json()

    def history(self, q: schemas.OneAlert, _body: None, _by: str) -> Any:
        """What became of an alert: who, when, why."""
        return {"history": self._desk.history(q.alert, q.site)}

    def figures(self, q: schemas.Span, _body: None, _by: str) -> Any:
        """How many alerts people get at each site."""
        end = self._wall() if q.end is None else moment(q.end, "end")
        begin = max(end - BEFORE, instant.EARLIEST) if q.begin is None else moment(q.begin, "begin")
        if end <= begin:
            raise Problem(422, "begin is not before end", "name an earlier begin")
        with self._place.read() as connection:
            by_site = intervals(connection, end)
        own = {site: one for site, one in sorted(by_site.items()) if q.site in (None, site)}
        return {
            "figures": [
                {"site": site, **compute_kpis(one, begin, end, self._rules).as_json()}
                for site, one in own.items()
            ]
        }

    def acknowledge(self, q: schemas.OneAlert, body: schemas.Comment, by: str) -> Any:
        """Somebody has seen it."""
        return done(
            self._desk.acknowledge(q.alert, by=by, comment=body.comment, now=self._wall(), site=q.site)
        )

    def shelve(self, q: schemas.OneAlert, body: schemas.Shelving, by: str) -> Any:
        """Shelve an active alert until a time, and what its hammer raises of that fault; 409 once it has ended."""
        until = moment(body.until, "until")
        return done(
            self._desk.shelve(q.alert, until=until, by=by, reason=body.reason, now=self._wall(), site=q.site)
        )

    def unshelve(self, q: schemas.OneAlert, body: schemas.Unshelving, by: str) -> Any:
        """End a shelf before its time."""
        return done(self._desk.unshelve(q.alert, by=by, reason=body.reason, now=self._wall(), site=q.site))

    def out_of_service(self, q: schemas.OneHammer, body: schemas.Stay, by: str) -> Any:
        """A hammer is in the workshop: its alerts are put aside."""
        until = None if body.until is None else moment(body.until, "until")
        return done(
            self._desk.out_of_service(
                q.hammer, by=by, reason=body.reason, until=until, now=self._wall(), site=q.site
            )
        )

    def in_service(self, q: schemas.OneHammer, body: schemas.Unshelving, by: str) -> Any:
        """A hammer is back from the workshop."""
        return done(self._desk.in_service(q.hammer, by=by, reason=body.reason, now=self._wall(), site=q.site))


def done(result: ActionResult) -> dict[str, Any]:
    """What came of an action, ready for JSON."""
    site, hammer = result.key
    alert = None if result.alert is None else result.alert.json()
    return {"site": site, "hammer": hammer, "changed": result.changed, "alert": alert}


def moment(text: str, name: str) -> Instant:
    """Read a time of a request. Raises Problem naming the parameter."""
    try:
        return schemas.moment(text)
    except ValueError as error:
        raise Problem(422, f"{name}: {error}", "write it like 2026-03-04T07:15:00Z") from error
