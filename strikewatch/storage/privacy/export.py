"""Export all data of one operator: everything that `erasure` would change.

Both use the same list of places, so that the export shows exactly what an erasure changes.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, LargeBinary, Table, or_, select

from strikewatch.core import instant
from strikewatch.engine.attribution import OPERATORS
from strikewatch.engine.state import part_of
from strikewatch.errors import StoreError
from strikewatch.storage.commit import spool
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.privacy.erasure import PERSONAL_COLUMNS, Replace, erase_from_state, id_replacer
from strikewatch.storage.recorder.parquet import EVENTS, event_object
from strikewatch.storage.schema import tables

ExportedItem = tuple[str, dict[str, Any]]
"""(place, entry)."""
_TIME: Final = "_ns"


def export_operator(database: DatabaseAccess, recordings: Path, name: str) -> Iterator[ExportedItem]:
    """Yield every row, event and state that names an operator, with its place. Raises StoreError.

    Instants are in RFC 3339, under names without `_ns`. The processor may be running.
    """
    clean = id_replacer(name)
    with database.read() as connection:
        for table in tables.metadata.sorted_tables:
            yield from ((table.name, row) for row in _rows(connection, table, name, clean))
        yield from (("states", one) for one in _states(connection, name))
        yield from (("spool", one) for one in _spooled(connection, clean))
    for path in sorted(recordings.glob(f"*/*/{EVENTS}")):
        try:
            lines = path.read_text(encoding="utf-8").splitlines()
        except OSError as error:
            raise StoreError(f"cannot read {path}: {error}") from error
        for line in lines:
            if clean(line) != line:
                yield "recordings", {"file": str(path.relative_to(recordings)), "line": line}


def _rows(connection: Connection, table: Table, name: str, clean: Replace) -> Iterator[dict[str, Any]]:
    named = [column for column in table.columns if column.name in PERSONAL_COLUMNS]
    if not named:
        return
    query = select(table)
    if not any(isinstance(column.type, LargeBinary) for column in named):
        query = query.where(or_(*(column.contains(name, autoescape=True) for column in named)))
    for row in connection.execute(query).mappings():
        shown = {key: _as_text(value) for key, value in row.items()}
        if any(shown[one.name] is not None and clean(shown[one.name]) != shown[one.name] for one in named):
            yield {
                key.removesuffix(_TIME): _time_text(key, value)
                for key, value in shown.items()
                if value is not None
            }


def _as_text(value: Any) -> Any:
    return bytes(value).decode("utf-8", "surrogateescape") if isinstance(value, bytes | memoryview) else value


def _time_text(key: str, value: Any) -> Any:
    if not key.endswith(_TIME) or key in ("judged_ns", "blank_ns", "operating_ns", "firing_ns"):
        return value
    return instant.text(value)


def _states(connection: Connection, name: str) -> Iterator[dict[str, Any]]:
    states = tables.hammer_state
    for site, hammer, layout, state in connection.execute(select(states)):
        if erase_from_state(name, layout, bytes(state)) != bytes(state):
            duty = part_of(layout, bytes(state), OPERATORS.name)
            names = [] if duty is None else duty["name"][: duty["n"]].tolist()
            times = [] if duty is None else duty["at"][: duty["n"]].tolist()
            signed_on = [
                instant.text(at) for at, one in zip(times, names, strict=True) if one == name.encode()
            ]
            yield {"site": site, "hammer": hammer, "signed_on": signed_on}


def _spooled(connection: Connection, clean: Replace) -> Iterator[dict[str, Any]]:
    """Yield events in the spool that name the operator."""
    for (blob,) in connection.execute(select(tables.arrived.c.rows)):
        for event in spool.decode(bytes(blob))[1]:
            if any(isinstance(value, str) and clean(value) != value for value in event.fields.values()):
                yield {"site": event.site, **event_object(event)}
