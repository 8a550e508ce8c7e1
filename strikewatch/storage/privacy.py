"""Export and erasure of an operator's data.

Erasure replaces the id everywhere; the records stay and count under `forgotten`. All erased operators share this id, so
none can be identified, and their faults do not become unassigned ones. Every place that can hold an id is listed in
`PERSONAL_COLUMNS`; a test checks that each text column of every table is either listed or known to hold no id. The
export uses the same list, so that it shows exactly what an erasure changes.
"""

import json
import re
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
from sqlalchemy import Column, Connection, LargeBinary, Table, delete, or_, select, update
from sqlalchemy.exc import IntegrityError

from strikewatch.core import instant
from strikewatch.core.events import Event
from strikewatch.engine.attribution import OPERATORS
from strikewatch.engine.state import part_of
from strikewatch.errors import StoreError
from strikewatch.storage.commit import spool, states
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines import disk
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.recorder.parquet import EVENTS, event_object
from strikewatch.storage.schema import tables

ERASED_ID: Final = "forgotten"

PERSONAL_COLUMNS: Final = frozenset(
    {
        "operator",
        "who",
        "record",
        "body",
        "fields",
        "reason",
        "why",
        "detail",
        "payload",
        "note",
        "evidence",
        "key",
    }
)
"""Names of columns that may hold an operator's id, alone or within text or JSON."""
_NEVER_PERSONAL: Final = frozenset({"site", "hammer", "id", "fault"})
"""JSON keys whose values are never an operator's id, even if they are spelled alike."""


def erase(store: Store, recordings: Path, name: str, *, apply: bool) -> Counter[str]:
    """Replace an operator's id wherever it is stored; return how many entries, by place.

    Without `apply`, only count. Call again to finish an interrupted erasure; afterwards it finds nothing. The processor
    must not be running (the writer's lock ensures that), since it holds ids in memory. Raises StoreError.
    """
    changed: Counter[str] = Counter()
    replace_id = id_replacer(name)
    for path in sorted(recordings.glob(f"*/*/{EVENTS}")):
        changed["recordings"] += _erase_recording(path, replace_id, apply)
    with store.write() as connection:
        for table in tables.metadata.sorted_tables:
            for column in table.columns:
                if column.name in PERSONAL_COLUMNS:
                    changed[table.name] += _erase_column(connection, table, column, name, replace_id, apply)
        changed["states"] = _erase_states(connection, name, apply)
        changed["spool"] = _erase_spool(connection, replace_id, apply)
    changed = +changed
    if apply and changed:
        store.compact()
    return changed


Replace = Callable[[str], str]


def id_replacer(name: str) -> Replace:
    """Return a function that replaces the id as a whole word in text, and in the values of JSON."""
    word = re.compile(rf"(?<![\w.-]){re.escape(name)}(?!\.?[\w-])")

    def walk(value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            return {k: walk(v, k) for k, v in value.items()}
        if isinstance(value, list):
            return [walk(v, key) for v in value]
        return word.sub(ERASED_ID, value) if isinstance(value, str) and key not in _NEVER_PERSONAL else value

    def replace_id(text: str) -> str:
        if not word.search(text):
            return text
        try:
            found = json.loads(text)
        except ValueError:
            return word.sub(ERASED_ID, text)
        if not isinstance(found, dict | list):
            return word.sub(ERASED_ID, text)
        cleaned = walk(found)
        return text if cleaned == found else json.dumps(cleaned, ensure_ascii=False, separators=(",", ":"))

    return replace_id


def _erase_column(
    connection: Connection, table: Table, column: Column[Any], name: str, replace_id: Replace, apply: bool
) -> int:
    binary = isinstance(column.type, LargeBinary)
    keys = list(table.primary_key.columns)
    wanted = select(*keys, column)
    if not binary:
        wanted = wanted.where(column.contains(name, autoescape=True))
    changed = 0
    for *row, value in connection.execute(wanted).all():
        before = bytes(value).decode("utf-8", "surrogateescape") if binary else value
        after = replace_id(before)
        if after == before:
            continue
        changed += 1
        if apply:
            this = [key == part for key, part in zip(keys, row, strict=True)]
            stored = after.encode("utf-8", "surrogateescape") if binary else after
            try:
                with connection.begin_nested():
                    connection.execute(update(table).where(*this).values({column: stored}))
            except IntegrityError:
                # an operator erased before left an identical row
                connection.execute(delete(table).where(*this))
    return changed


def _erase_states(connection: Connection, name: str, apply: bool) -> int:
    """Erase the id from the saved state of hammers, which holds their last sign-ons."""
    changed = 0
    for site, hammer, layout, state in list(states.read_states(connection)):
        cleaned = erase_from_state(name, layout, state)
        if cleaned == state:
            continue
        changed += 1
        if apply:
            table = tables.hammer_state
            stored_layout, stored = states.pack(layout, cleaned)
            this = (table.c.site == site, table.c.hammer == hammer)
            connection.execute(update(table).where(*this).values(layout=stored_layout, state=stored))
    return changed


def erase_from_state(name: str, layout: str, state: bytes) -> bytes:
    """Return the saved state with the id replaced among its sign-ons.

    Sign-ons of a layout that is no longer readable are zeroed if they hold the id: loading begins them anew anyway.
    """
    read = OPERATORS.layouts
    at = 0
    for part in layout.split():
        size = int(part.rpartition(":")[2])
        if part.startswith(f"{OPERATORS.name}/"):
            if part not in read:
                holds_id = name.encode() in state[at : at + size]
                return state[:at] + bytes(size) + state[at + size :] if holds_id else state
            buffer = bytearray(state)
            (record,) = np.frombuffer(buffer, read[part], 1, at)
            for field in record.dtype.names or ():
                if record[field].dtype.kind == "S":
                    record[field][record[field] == name.encode()] = ERASED_ID.encode()
            return bytes(buffer)
        at += size
    return state


def _erase_spool(connection: Connection, replace_id: Replace, apply: bool) -> int:
    """Erase the id from the events in the spool."""
    changed = 0
    arrived = tables.arrived
    for (seq,) in connection.execute(select(arrived.c.seq)).all():
        blob = bytes(connection.execute(select(arrived.c.rows).where(arrived.c.seq == seq)).scalar_one())
        rows, events = spool.decode(blob)
        cleaned = [_erase_event(event, replace_id) for event in events]
        if cleaned == events:
            continue
        changed += 1
        if apply:
            connection.execute(
                update(arrived).where(arrived.c.seq == seq).values(rows=spool.encode(rows, cleaned))
            )
    return changed


def _erase_event(event: Event, replace_id: Replace) -> Event:
    fields = json.loads(replace_id(json.dumps(event.fields, ensure_ascii=False)))
    return Event(event.site, event.hammer, event.kind, event.time, fields, event.applied)


def _erase_recording(path: Path, replace_id: Replace, apply: bool) -> int:
    """Erase the id from the events of one recorded shift and replace the file; samples hold no ids."""
    try:
        before = path.read_text(encoding="utf-8").splitlines()
        after = [replace_id(line) for line in before]
        changed = sum(old != new for old, new in zip(before, after, strict=True))
        if apply and changed:
            part = path.with_name(f".{path.name}.part")
            disk.create_file(part)
            part.write_text("".join(f"{line}\n" for line in after), encoding="utf-8")
            disk.sync(part)
            part.replace(path)
            disk.sync(path.parent)
    except OSError as error:
        raise StoreError(
            f"cannot erase in {path}: {error}; later places are unchanged: run the command again"
        ) from error
    return changed


ExportedItem = tuple[str, dict[str, Any]]
"""(place, entry)."""
_TIME: Final = "_ns"


def export_operator(database: DatabaseAccess, recordings: Path, name: str) -> Iterator[ExportedItem]:
    """Yield every row, event and state that names an operator, with its place. Raises StoreError.

    Instants are in RFC 3339, under names without `_ns`. The processor may be running.
    """
    replace_id = id_replacer(name)
    with database.read() as connection:
        for table in tables.metadata.sorted_tables:
            yield from ((table.name, row) for row in _export_rows(connection, table, name, replace_id))
        yield from (("states", row) for row in _export_states(connection, name))
        yield from (("spool", row) for row in _export_spool(connection, replace_id))
    for path in sorted(recordings.glob(f"*/*/{EVENTS}")):
        try:
            lines = path.read_text(encoding="utf-8").splitlines()
        except OSError as error:
            raise StoreError(f"cannot read {path}: {error}") from error
        for line in lines:
            if replace_id(line) != line:
                yield "recordings", {"file": str(path.relative_to(recordings)), "line": line}


def _export_rows(
    connection: Connection, table: Table, name: str, replace_id: Replace
) -> Iterator[dict[str, Any]]:
    named = [column for column in table.columns if column.name in PERSONAL_COLUMNS]
    if not named:
        return
    query = select(table)
    if not any(isinstance(column.type, LargeBinary) for column in named):
        query = query.where(or_(*(column.contains(name, autoescape=True) for column in named)))
    for row in connection.execute(query).mappings():
        shown = {key: _as_text(value) for key, value in row.items()}
        if any(
            shown[column.name] is not None and replace_id(shown[column.name]) != shown[column.name]
            for column in named
        ):
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


def _export_states(connection: Connection, name: str) -> Iterator[dict[str, Any]]:
    """Yield the hammers whose saved state names an operator, with the sign-ons that it holds."""
    for site, hammer, layout, state in states.read_states(connection):
        if erase_from_state(name, layout, state) != state:
            duty = part_of(layout, state, OPERATORS.name)
            names = [] if duty is None else duty["name"][: duty["n"]].tolist()
            times = [] if duty is None else duty["at"][: duty["n"]].tolist()
            signed_on = [
                instant.text(at) for at, signed in zip(times, names, strict=True) if signed == name.encode()
            ]
            yield {"site": site, "hammer": hammer, "signed_on": signed_on}


def _export_spool(connection: Connection, replace_id: Replace) -> Iterator[dict[str, Any]]:
    """Yield events in the spool that name the operator."""
    for (blob,) in connection.execute(select(tables.arrived.c.rows)):
        for event in spool.decode(bytes(blob))[1]:
            if any(isinstance(value, str) and replace_id(value) != value for value in event.fields.values()):
                yield {"site": event.site, **event_object(event)}
