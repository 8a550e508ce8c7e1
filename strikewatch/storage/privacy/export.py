"""All that is kept of one operator, for them to see: what `forgetting` would change, as it stands.

Both go by the same list of places, so that nothing is forgotten that was not shown, nor the other way about.
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
from strikewatch.storage.engines.shared import Place
from strikewatch.storage.privacy.erasure import PEOPLE, Clean, cleaner, without
from strikewatch.storage.recorder.parquet import EVENTS, event_object
from strikewatch.storage.schema import tables

Found = tuple[str, dict[str, Any]]
"""Where it is kept, and what."""
_TIME: Final = "_ns"


def kept(place: Place, recordings: Path, name: str) -> Iterator[Found]:
    """Every row, event and state that names an operator, by place. Raises StoreError.

    Instants are told as RFC 3339, under names without `_ns`. May be asked while the processor runs.
    """
    clean = cleaner(name)
    with place.read() as connection:
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


def _rows(connection: Connection, table: Table, name: str, clean: Clean) -> Iterator[dict[str, Any]]:
    named = [column for column in table.columns if column.name in PEOPLE]
    if not named:
        return
    wanted = select(table)
    if not any(isinstance(column.type, LargeBinary) for column in named):
        wanted = wanted.where(or_(*(column.contains(name, autoescape=True) for column in named)))
    for row in connection.execute(wanted).mappings():
        told = {key: _plain(value) for key, value in row.items()}
        if any(told[one.name] is not None and clean(told[one.name]) != told[one.name] for one in named):
            yield {
                key.removesuffix(_TIME): _when(key, value) for key, value in told.items() if value is not None
            }


def _plain(value: Any) -> Any:
    return bytes(value).decode("utf-8", "surrogateescape") if isinstance(value, bytes | memoryview) else value


def _when(key: str, value: Any) -> Any:
    if not key.endswith(_TIME) or key in ("judged_ns", "blank_ns", "operating_ns", "firing_ns"):
        return value
    return instant.text(value)


def _states(connection: Connection, name: str) -> Iterator[dict[str, Any]]:
    states = tables.hammer_state
    for site, hammer, layout, state in connection.execute(select(states)):
        if without(name, layout, bytes(state)) != bytes(state):
            roster = part_of(layout, bytes(state), OPERATORS.name)
            signed = [] if roster is None else roster["name"][: roster["n"]].tolist()
            since = [] if roster is None else roster["at"][: roster["n"]].tolist()
            on = [instant.text(at) for at, one in zip(since, signed, strict=True) if one == name.encode()]
            yield {"site": site, "hammer": hammer, "signed_on": on}


def _spooled(connection: Connection, clean: Clean) -> Iterator[dict[str, Any]]:
    """Events that wait to be recorded."""
    for (blob,) in connection.execute(select(tables.arrived.c.rows)):
        for event in spool.decode(bytes(blob))[1]:
            if any(isinstance(value, str) and clean(value) != value for value in event.fields.values()):
                yield {"site": event.site, **event_object(event)}
