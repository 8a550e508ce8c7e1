"""Short words for recordings written by hand."""

from typing import Any

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins.knowledge import Record, Row


def row(time_s: float, **values: float) -> Row:
    return Row(seconds(time_s), values)


def fired(start_s: int, end_s: int) -> list[Row]:
    """Firing on [start, end): a true `active` each second, then a false one."""
    return [row(t, active=1.0) for t in range(start_s, end_s)] + [row(end_s, active=0.0)]


def event(time_s: float, kind: str, **fields: Any) -> Event:
    return Event("fennick-hollow", "HB-01", kind, seconds(time_s), fields)


def brief(records: list[Record]) -> list[tuple[str, float, float | None, str]]:
    return [
        (r.fault, r.onset / SECOND, None if r.cleared is None else r.cleared / SECOND, r.priority)
        for r in records
    ]
