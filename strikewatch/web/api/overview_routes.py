"""Operations on what needs somebody now: all active alerts, ended ones in groups, and what is muted."""

import time
from collections.abc import Callable
from typing import Any, Final

from strikewatch.core.alert import PRIORITIES
from strikewatch.core.instant import SECOND, Instant, seconds
from strikewatch.engine.flood import Settings as Alarms
from strikewatch.engine.lifecycle import ACTIVE
from strikewatch.storage.actions.alerts import AlertActions
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.active import count_sent, counts, ended_groups, list_mutes
from strikewatch.storage.queries.alerts import Filter, search
from strikewatch.web.api import schemas
from strikewatch.web.api.alert_routes import BASE, Operation, done, moment

DAY: Final = 86_400 * SECOND
MICROSECOND: Final = 1000


class Overview:
    """`wall` gives ns."""

    def __init__(
        self, place: DatabaseAccess, alarms: Alarms, wall: Callable[[], Instant] = time.time_ns
    ) -> None:
        self._place = place
        self._suppressed = alarms.suppressed
        self._desk = AlertActions(place, seconds(alarms.longest_shelf_h * 3600))
        self._wall = wall

    def operations(self) -> list[Operation]:
        group, shelf = f"{BASE}/alerts/acknowledge-ended", f"{BASE}/shelves/end"
        return [
            Operation("GET", f"{BASE}/active", "view", schemas.Nothing, None, self.active),
            Operation("GET", f"{BASE}/muted", "view", schemas.Nothing, None, self.muted),
            Operation("POST", group, "act", schemas.Nothing, schemas.EndedGroup, self.acknowledge_ended),
            Operation("POST", shelf, "act", schemas.Nothing, schemas.OneShelf, self.end_shelving),
        ]

    def active(self, _q: schemas.Nothing, _body: None, _by: str) -> Any:
        """All active alerts by gravity, true counts by state and priority, and ended alerts in groups."""
        with self._place.read() as connection:
            listed = search(connection, Filter(states=ACTIVE), order="gravity")
            groups = ended_groups(connection)
            counted = counts(connection)
        by_state: dict[str, dict[str, int]] = {}
        for (state, priority), n in sorted(counted.items()):
            by_state.setdefault(state, dict.fromkeys(PRIORITIES[::-1], 0))[priority] = n
        return {
            "counts": by_state,
            "alerts": [one.json() for one in listed],
            "ended": [one.json() for one in groups],
        }

    def muted(self, _q: schemas.Nothing, _body: None, _by: str) -> Any:
        """Everything that is muted: who, why, until when; and how the alerts of the last 24 h were sent."""
        with self._place.read() as connection:
            found = list_mutes(connection, self._suppressed)
            day = count_sent(connection, self._wall() - DAY)
        return {
            "muted": [one.json() for one in found],
            "last_24_h": {
                "alerts": day.alerts,
                "sent_singly": day.singly,
                "sent_in_digests": day.in_digests,
                "waiting": day.waiting,
                "not_sent": day.unsent,
            },
        }

    def acknowledge_ended(self, _q: schemas.Nothing, body: schemas.EndedGroup, by: str) -> Any:
        """Acknowledge the ended alerts of a fault of a hammer, as far as they had ended by an instant."""
        return done(
            self._desk.acknowledge_ended(
                body.hammer,
                body.fault,
                ended_by=moment(body.ended_by, "ended_by") + MICROSECOND - 1,  # texts leave out what is below
                by=by,
                comment=body.comment,
                now=self._wall(),
                site=body.site,
            )
        )

    def end_shelving(self, _q: schemas.Nothing, body: schemas.OneShelf, by: str) -> Any:
        """End the shelf of a fault of a hammer before its time."""
        return done(
            self._desk.end_shelving(
                body.hammer, body.fault, by=by, reason=body.reason, now=self._wall(), site=body.site
            )
        )
