"""What stands at a hammer now, of what has been told and is not put aside."""

import json
from typing import Any, Final

from sqlalchemy import and_, bindparam, select

from strikewatch.engine.lifecycle import ACTIVE, SUPPRESSED
from strikewatch.storage.commit.store import Store
from strikewatch.storage.schema.alarm_tables import OPEN, handling
from strikewatch.storage.schema.tables import alerts

_STANDING: Final = (
    select(alerts.c.record)
    .join_from(handling, alerts, and_(alerts.c.site == handling.c.site, alerts.c.id == handling.c.id))
    .where(
        OPEN,
        handling.c.site == bindparam("site"),
        handling.c.hammer == bindparam("hammer"),
        handling.c.state.in_(sorted(ACTIVE - SUPPRESSED)),
        handling.c.told != "",
    )
    .order_by(handling.c.onset_ns, handling.c.id)
)


def standing(store: Store, site: str, hammer: str) -> list[dict[str, Any]]:
    """The records of the alerts that stand, in onset order."""
    with store.read() as connection:
        return [
            json.loads(record) for record in connection.scalars(_STANDING, {"site": site, "hammer": hammer})
        ]
