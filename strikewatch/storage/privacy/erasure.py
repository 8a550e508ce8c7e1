"""Forgetting an operator: the id goes, what it did stays, counted under `forgotten`.

It is a word of its own and the same for all who were forgotten: nobody can be told apart by it, and the faults do not
move to those that nobody was signed on for. Every place that can hold an id is named here, in `PEOPLE`; a test insists
that each text column of every table is either there or known to hold none.
"""

import json
import re
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np
from sqlalchemy import Column, Connection, LargeBinary, Table, delete, select, update
from sqlalchemy.exc import IntegrityError

from strikewatch.core.events import Event
from strikewatch.engine.attribution import OPERATORS
from strikewatch.errors import StoreError
from strikewatch.storage.commit import spool
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines import disk
from strikewatch.storage.recorder.parquet import EVENTS
from strikewatch.storage.schema import tables

FORGOTTEN: Final = "forgotten"

PEOPLE: Final = frozenset(
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
"""Names of columns that may hold an id, alone or within text or JSON."""
_PLACES: Final = frozenset({"site", "hammer", "id", "fault"})
"""Keys whose values are never people, though one may be called alike."""


def forget(store: Store, recordings: Path, name: str, *, really: bool) -> Counter[str]:
    """Replace an operator's id wherever it is kept; how many entries, by place.

    Not `really` only counts. Cut short, it is finished by doing it again; done again, it finds nothing. The processor
    must not be running (the store's claim sees to that), since it has the ids on duty in memory. Raises StoreError.
    """
    changed: Counter[str] = Counter()
    clean = cleaner(name)
    for path in sorted(recordings.glob(f"*/*/{EVENTS}")):
        changed["recordings"] += _recording(path, clean, really)
    with store.write() as connection:
        for table in tables.metadata.sorted_tables:
            for column in table.columns:
                if column.name in PEOPLE:
                    changed[table.name] += _column(connection, table, column, name, clean, really)
        changed["states"] = _states(connection, name, really)
        changed["spool"] = _spool(connection, clean, really)
    changed = +changed
    if really and changed:
        store.compact()
    return changed


Clean = Callable[[str], str]


def cleaner(name: str) -> Clean:
    """Replaces the id as a whole word in text, and in the values of JSON."""
    word = re.compile(rf"(?<![\w.-]){re.escape(name)}(?!\.?[\w-])")

    def walk(value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            return {k: walk(v, k) for k, v in value.items()}
        if isinstance(value, list):
            return [walk(v, key) for v in value]
        return word.sub(FORGOTTEN, value) if isinstance(value, str) and key not in _PLACES else value

    def clean(text: str) -> str:
        if not word.search(text):
            return text
        try:
            found = json.loads(text)
        except ValueError:
            return word.sub(FORGOTTEN, text)
        if not isinstance(found, dict | list):
            return word.sub(FORGOTTEN, text)
        cleaned = walk(found)
        return text if cleaned == found else json.dumps(cleaned, ensure_ascii=False, separators=(",", ":"))

    return clean


def _column(
    connection: Connection, table: Table, column: Column[Any], name: str, clean: Clean, really: bool
) -> int:
    binary = isinstance(column.type, LargeBinary)
    keys = list(table.primary_key.columns)
    wanted = select(*keys, column)
    if not binary:
        wanted = wanted.where(column.contains(name, autoescape=True))
    changed = 0
    for *row, value in connection.execute(wanted).all():
        before = bytes(value).decode("utf-8", "surrogateescape") if binary else value
        after = clean(before)
        if after == before:
            continue
        changed += 1
        if really:
            this = [key == part for key, part in zip(keys, row, strict=True)]
            stored = after.encode("utf-8", "surrogateescape") if binary else after
            try:
                with connection.begin_nested():
                    connection.execute(update(table).where(*this).values({column: stored}))
            except IntegrityError:
                # the very same is there already, of somebody forgotten before
                connection.execute(delete(table).where(*this))
    return changed


def _states(connection: Connection, name: str, really: bool) -> int:
    """The saved state of hammers: who was signed on, the last few of each."""
    states = tables.hammer_state
    changed = 0
    for site, hammer, layout, state in connection.execute(select(states)).all():
        cleaned = without(name, layout, bytes(state))
        if cleaned == state:
            continue
        changed += 1
        if really:
            this = (states.c.site == site, states.c.hammer == hammer)
            connection.execute(update(states).where(*this).values(state=cleaned))
    return changed


def without(name: str, layout: str, state: bytes) -> bytes:
    """The state with the id replaced in its crew. A crew of a version no longer read is begun anew when loaded."""
    read = OPERATORS.layouts
    at = 0
    for part in layout.split():
        size = int(part.rpartition(":")[2])
        if part.startswith(f"{OPERATORS.name}/"):
            if part not in read:
                return (
                    state[:at] + bytes(size) + state[at + size :]
                    if name.encode() in state[at:][:size]
                    else state
                )
            buffer = bytearray(state)
            (record,) = np.frombuffer(buffer, read[part], 1, at)
            for field in record.dtype.names or ():
                if record[field].dtype.kind == "S":
                    record[field][record[field] == name.encode()] = FORGOTTEN.encode()
            return bytes(buffer)
        at += size
    return state


def _spool(connection: Connection, clean: Clean, really: bool) -> int:
    """Events among the rows that are not recorded yet."""
    changed = 0
    arrived = tables.arrived
    for (seq,) in connection.execute(select(arrived.c.seq)).all():
        blob = bytes(connection.execute(select(arrived.c.rows).where(arrived.c.seq == seq)).scalar_one())
        rows, events = spool.decode(blob)
        cleaned = [_event(event, clean) for event in events]
        if cleaned == events:
            continue
        changed += 1
        if really:
            connection.execute(
                update(arrived).where(arrived.c.seq == seq).values(rows=spool.encode(rows, cleaned))
            )
    return changed


def _event(event: Event, clean: Clean) -> Event:
    fields = json.loads(clean(json.dumps(event.fields, ensure_ascii=False)))
    return Event(event.site, event.hammer, event.kind, event.time, fields, event.applied)


def _recording(path: Path, clean: Clean, really: bool) -> int:
    """The events of one recorded shift; its samples know nobody. The file is replaced whole."""
    try:
        before = path.read_text(encoding="utf-8").splitlines()
        after = [clean(line) for line in before]
        changed = sum(old != new for old, new in zip(before, after, strict=True))
        if really and changed:
            part = path.with_name(f".{path.name}.part")
            part.write_text("".join(f"{line}\n" for line in after), encoding="utf-8")
            disk.sync(part)
            part.replace(path)
            disk.sync(path.parent)
    except OSError as error:
        raise StoreError(
            f"cannot forget in {path}: {error}; nothing else was changed after it, do it again"
        ) from error
    return changed
