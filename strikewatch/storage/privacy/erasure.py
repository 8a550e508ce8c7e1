"""Erase an operator: replace the id everywhere; the records stay and count under `forgotten`.

All erased operators share this id, so none can be identified, and their faults do not become unassigned ones. Every
place that can hold an id is listed in `PERSONAL_COLUMNS`; a test checks that each text column of every table is either
listed or known to hold no id.
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
    clean = id_replacer(name)
    for path in sorted(recordings.glob(f"*/*/{EVENTS}")):
        changed["recordings"] += _recording(path, clean, apply)
    with store.write() as connection:
        for table in tables.metadata.sorted_tables:
            for column in table.columns:
                if column.name in PERSONAL_COLUMNS:
                    changed[table.name] += _column(connection, table, column, name, clean, apply)
        changed["states"] = _states(connection, name, apply)
        changed["spool"] = _spool(connection, clean, apply)
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

    def clean(text: str) -> str:
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

    return clean


def _column(
    connection: Connection, table: Table, column: Column[Any], name: str, clean: Replace, apply: bool
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


def _states(connection: Connection, name: str, apply: bool) -> int:
    """Erase the id from the saved state of hammers, which holds their last sign-ons."""
    states = tables.hammer_state
    changed = 0
    for site, hammer, layout, state in connection.execute(select(states)).all():
        cleaned = erase_from_state(name, layout, bytes(state))
        if cleaned == state:
            continue
        changed += 1
        if apply:
            this = (states.c.site == site, states.c.hammer == hammer)
            connection.execute(update(states).where(*this).values(state=cleaned))
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
                return (
                    state[:at] + bytes(size) + state[at + size :]
                    if name.encode() in state[at:][:size]
                    else state
                )
            buffer = bytearray(state)
            (record,) = np.frombuffer(buffer, read[part], 1, at)
            for field in record.dtype.names or ():
                if record[field].dtype.kind == "S":
                    record[field][record[field] == name.encode()] = ERASED_ID.encode()
            return bytes(buffer)
        at += size
    return state


def _spool(connection: Connection, clean: Replace, apply: bool) -> int:
    """Erase the id from the events in the spool."""
    changed = 0
    arrived = tables.arrived
    for (seq,) in connection.execute(select(arrived.c.seq)).all():
        blob = bytes(connection.execute(select(arrived.c.rows).where(arrived.c.seq == seq)).scalar_one())
        rows, events = spool.decode(blob)
        cleaned = [_event(event, clean) for event in events]
        if cleaned == events:
            continue
        changed += 1
        if apply:
            connection.execute(
                update(arrived).where(arrived.c.seq == seq).values(rows=spool.encode(rows, cleaned))
            )
    return changed


def _event(event: Event, clean: Replace) -> Event:
    fields = json.loads(clean(json.dumps(event.fields, ensure_ascii=False)))
    return Event(event.site, event.hammer, event.kind, event.time, fields, event.applied)


def _recording(path: Path, clean: Replace, apply: bool) -> int:
    """Erase the id from the events of one recorded shift and replace the file; samples hold no ids."""
    try:
        before = path.read_text(encoding="utf-8").splitlines()
        after = [clean(line) for line in before]
        changed = sum(old != new for old, new in zip(before, after, strict=True))
        if apply and changed:
            part = path.with_name(f".{path.name}.part")
            part.write_text("".join(f"{line}\n" for line in after), encoding="utf-8")
            disk.sync(part)
            part.replace(path)
            disk.sync(path.parent)
    except OSError as error:
        raise StoreError(
            f"cannot erase in {path}: {error}; later places are unchanged: run the command again"
        ) from error
    return changed
