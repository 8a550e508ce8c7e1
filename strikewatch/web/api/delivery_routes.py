"""Deliveries and endpoints over HTTP: look, send again, try the way, switch off and on.

A courier at work takes up what was asked within about a second.
"""

import time
from collections.abc import Callable
from typing import Any, Final

from sqlalchemy import Connection

from strikewatch.core.instant import Instant
from strikewatch.errors import Refused, Unknown
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.outbox import deliveries
from strikewatch.web.api import schemas
from strikewatch.web.api.alert_routes import BASE, Operation

_ENDPOINTS: Final = f"{BASE}/endpoints"
_ONE: Final = f"{_ENDPOINTS}/{{endpoint}}"


class Sending:
    """`wall` tells ns."""

    def __init__(self, place: DatabaseAccess, wall: Callable[[], Instant] = time.time_ns) -> None:
        self._place = place
        self._wall = wall

    def operations(self) -> list[Operation]:
        one, some = f"{BASE}/deliveries/{{number}}", f"{BASE}/deliveries"
        return [
            Operation("GET", some, "view", schemas.Deliveries, None, self.deliveries),
            Operation("GET", one, "view", schemas.OneDelivery, None, self.delivery),
            Operation("POST", f"{some}/send", "review", schemas.Nothing, schemas.Sending, self.send),
            Operation("GET", _ENDPOINTS, "view", schemas.Nothing, None, self.endpoints),
            Operation("POST", f"{_ONE}/test", "act", schemas.OneEndpoint, schemas.Nothing, self.test),
            Operation("POST", f"{_ONE}/on", "act", schemas.OneEndpoint, schemas.Nothing, self.switch_on),
            Operation("POST", f"{_ONE}/off", "act", schemas.OneEndpoint, schemas.Ending, self.switch_off),
        ]

    def deliveries(self, q: schemas.Deliveries, _body: None, _by: str) -> Any:
        """The newest deliveries that fit, and which endpoints are off."""
        with self._place.read() as connection:
            found = deliveries.search(
                connection, endpoint=q.endpoint, state=q.state, alert=q.alert, limit=q.limit
            )
            off = deliveries.switched_off(connection)
        return {"deliveries": [one.json() for one in found], "off": off}

    def delivery(self, q: schemas.OneDelivery, _body: None, _by: str) -> Any:
        """One delivery with every attempt that is on record, and what it tells."""
        with self._place.read() as connection:
            found, tried = deliveries.look_up(connection, q.number)
        return {**found.json(), "tried": [one.json() for one in tried], "data": found.body}

    def send(self, _q: schemas.Nothing, body: schemas.Sending, _by: str) -> Any:
        """Parked deliveries wait for their turn again, and all that is parked of the same alerts."""
        with self._place.write() as connection:
            named = (
                {body.endpoint}
                if body.endpoint
                else {deliveries.look_up(connection, number)[0].endpoint for number in body.numbers}
            )
            for name in sorted(named):
                _on(connection, name)
            again = deliveries.send_again(
                connection, self._wall(), numbers=body.numbers, endpoint=body.endpoint
            )
        return {"again": again}

    def endpoints(self, _q: schemas.Nothing, _body: None, _by: str) -> Any:
        """Where alerts go, and what is switched off and why."""
        with self._place.read() as connection:
            off, known = deliveries.switched_off(connection), deliveries.endpoint_names(connection)
        return {"endpoints": [{"endpoint": name, "off": off.get(name)} for name in known]}

    def test(self, q: schemas.OneEndpoint, _body: schemas.Nothing, _by: str) -> Any:
        """Try the way to an endpoint, as an alert goes: what came of it is told of the delivery of that number."""
        with self._place.write() as connection:
            _known(connection, q.endpoint)
            _on(connection, q.endpoint)
            return {"number": deliveries.queue_test(connection, q.endpoint, self._wall())}

    def switch_on(self, q: schemas.OneEndpoint, _body: schemas.Nothing, _by: str) -> Any:
        """Send to an endpoint again; what was parked meanwhile stays so until it is sent again."""
        with self._place.write() as connection:
            _known(connection, q.endpoint)
            return {"changed": int(deliveries.switch_on(connection, q.endpoint))}

    def switch_off(self, q: schemas.OneEndpoint, body: schemas.Ending, by: str) -> Any:
        """Send nothing more to an endpoint: what waits is parked, and so is what comes."""
        with self._place.write() as connection:
            _known(connection, q.endpoint)
            reason = f"switched off by {by}: {body.reason}"
            return {"changed": int(deliveries.switch_off(connection, q.endpoint, reason, self._wall()))}


def _known(connection: Connection, endpoint: str) -> None:
    known = deliveries.endpoint_names(connection)
    if endpoint not in known:
        raise Unknown(f"there is no endpoint {endpoint!r}; there are: {', '.join(known) or 'none'}")


def _on(connection: Connection, endpoint: str) -> None:
    if endpoint in deliveries.switched_off(connection):
        raise Refused(f"{endpoint} is switched off; first: strikewatch deliveries on {endpoint}")
