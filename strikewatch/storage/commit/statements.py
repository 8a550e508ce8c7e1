"""The SQL statements of a step, and the rows that they write."""

import json
from typing import Any, Final

from sqlalchemy import (
    Connection,
    Insert,
    bindparam,
    delete,
    func,
    null,
    select,
    update,
)

from strikewatch.core.bout import REASONS, AttributedBout
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.core.stretch import AttributedStretch
from strikewatch.storage.commit.prepared import (
    InsertInto,
    PreparedWrite,
    column_names,
    insert_missing,
    insert_new,
    upsert,
)
from strikewatch.storage.commit.step import Reject
from strikewatch.storage.schema import tables

PAYLOAD_KEPT: Final = 4096
"""How many bytes of a rejected payload are kept."""
KEPT_WHOLE: Final = frozenset({"ended_process"})
"""Reasons of rejects whose payload is kept whole: they are rare, and the sender did nothing wrong."""


def _event_applied(into: InsertInto) -> Insert:
    new = into(tables.events)
    return new.on_conflict_do_update(
        index_elements=["site", "hammer", "kind", "time_ns", "fields"],
        set_={"applied_ns": new.excluded.applied_ns},
        where=tables.events.c.applied_ns.is_(None),
    )


def _endpoint(into: InsertInto) -> Insert:
    new = into(tables.endpoints)
    return new.on_conflict_do_update(
        index_elements=["name"],
        # an endpoint whose address changed is switched on again
        set_={"url": new.excluded.url, "off_ns": null(), "reason": null()},
        where=tables.endpoints.c.url != new.excluded.url,
    )


def _reject_count(into: InsertInto) -> Insert:
    new = into(tables.reject_counts)
    return new.on_conflict_do_update(
        index_elements=["reason"], set_={"n": tables.reject_counts.c.n + new.excluded.n}
    )


SPOOL: Final = insert_new(tables.arrived)
STATE: Final = upsert(tables.hammer_state, ["site", "hammer"])
EVENT: Final = insert_missing(tables.events)
EVENT_APPLIED: Final = PreparedWrite(_event_applied, column_names(tables.events))
BOUT: Final = upsert(tables.bouts, ["site", "hammer", "start_ns"])
STRETCH: Final = upsert(tables.exposure, ["site", "hammer", "start_ns"])
ENDPOINT: Final = PreparedWrite(_endpoint, ["name", "url"])
STREAM_BATCH: Final = upsert(tables.stream_batches, ["stream"])
SESSION_HELD: Final = update(tables.broker_session).values(held_ns=bindparam("held"))
REJECT_COUNT: Final = PreparedWrite(_reject_count, column_names(tables.reject_counts))
REJECT: Final = insert_new(tables.rejects)
_last = select(func.max(tables.rejects.c.seq)).scalar_subquery()
DROP_OLD_REJECTS: Final = delete(tables.rejects).where(tables.rejects.c.seq <= _last - bindparam("kept"))


def corrected_entry_number(connection: Connection, event: Event) -> int | None:
    """Return the number of the entry that an event corrects: the oldest uncorrected one of that kind and time."""
    wrong = event.corrects
    if wrong is None:
        return None
    e, later = tables.events.c, tables.events.alias()
    number: int | None = connection.scalar(
        select(func.min(e.seq))
        .where(e.site == event.site, e.hammer == event.hammer, e.kind == wrong[0], e.time_ns == wrong[1])
        .where(~select(later.c.seq).where(later.c.corrects == e.seq).exists())
    )
    return number


def event_row(
    event: Event, received: Instant, who: str | None = None, corrects: int | None = None
) -> dict[str, Any]:
    """Return the columns of an event's row."""
    return {
        "site": event.site,
        "hammer": event.hammer,
        "kind": event.kind,
        "time_ns": event.time,
        "fields": json.dumps(event.fields, ensure_ascii=False, sort_keys=True, separators=(",", ":")),
        "applied_ns": event.applied if event.applied >= 0 else None,
        "received_ns": received,
        "who": who,
        "corrects": corrects,
    }


def reject_row(reject: Reject, received: Instant) -> dict[str, Any]:
    return {
        "topic": _storable_text(reject.topic),
        "payload": reject.payload[: None if reject.reason in KEPT_WHOLE else PAYLOAD_KEPT],
        "reason": reject.reason,
        "detail": _storable_text(reject.detail),
        "received_ns": received,
    }


def _storable_text(text: str) -> str:
    """Replace lone surrogates, which no database stores, and U+0000, which PostgreSQL does not."""
    return text.replace("\0", "\ufffd").encode(errors="replace").decode()


def bout_row(worked: AttributedBout) -> dict[str, Any]:
    """Return the columns of a bout's row."""
    bout = worked.bout
    site, hammer = bout.key
    return {
        "site": site,
        "hammer": hammer,
        "start_ns": bout.start,
        "end_ns": bout.end,
        "operator": worked.operator,
        "tool": worked.tool,
        "judged_ns": int(bout.judged_ns),
        "blank_ns": int(bout.blank_ns),
        "not_judged": REASONS[int(bout.not_judged)],
        "blows": _count(bout.blows),
        "blank_blows": _count(bout.blank_blows),
        "level_bar": _known(bout.level_bar),
        "loaded_level_bar": _known(bout.loaded_level_bar),
        "rate_hz": _known(bout.rate_hz),
        "pulse_spread_bar": _known(bout.pulse_spread_bar),
    }


def stretch_row(spent: AttributedStretch) -> dict[str, Any]:
    """Return the columns of the row of a stretch of work."""
    stretch = spent.stretch
    return {
        "site": stretch.key[0],
        "hammer": stretch.key[1],
        "start_ns": stretch.start,
        "end_ns": stretch.end,
        "operator": spent.operator,
        "tool": spent.tool,
        "operating_ns": int(stretch.operating_ns),
        "firing_ns": int(stretch.firing_ns),
    }


def _known(value: float) -> float | None:
    return value if value == value else None


def _count(value: float) -> int | None:
    return int(value) if value == value else None
