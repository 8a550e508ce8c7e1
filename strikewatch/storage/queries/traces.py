"""The samples around an instant, from the recordings and from the spool of rows not recorded yet."""

from collections.abc import Collection
from pathlib import Path
from typing import Final

import numpy as np
from sqlalchemy import select

from strikewatch.core.batch import NO_ROWS, Key, Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND, Instant
from strikewatch.storage.commit import spool
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.recorder.parquet import SAMPLES
from strikewatch.storage.schema.tables import arrived, segments

MAX_CLOCK_LEAD: Final = 3600 * SECOND
"""How far a hammer's clock may be ahead of the wall clock that names recordings."""
MAX_RECORDINGS: Final = 200
"""Largest number of recordings searched, from the first that can hold the instant; data that came days late may be
missed."""


def rows_between(
    database: DatabaseAccess,
    recordings: Path,
    key: Key,
    begin: Instant,
    end: Instant,
    channels: Collection[str] = tuple(CHANNELS),
) -> Rows:
    """Return a hammer's rows in [begin, end) with the given channels, in event time, each instant once.

    Skips a recording that is missing or damaged, since the rest is still worth showing. Raises StoreError.
    """
    site = key[0]
    s = segments.c
    wanted = (
        select(s.name)
        .where(s.site == site, s.state == "written", s.written_ns >= begin - MAX_CLOCK_LEAD)
        .order_by(s.began_ns)
        .limit(MAX_RECORDINGS)
    )
    waiting = (
        select(arrived.c.rows).where(arrived.c.received_ns >= begin - MAX_CLOCK_LEAD).order_by(arrived.c.seq)
    )
    with database.read() as connection:
        names = connection.scalars(wanted).all()
        spooled = [bytes(blob) for blob in connection.scalars(waiting)]
    parts = [_recorded(recordings / site / name / SAMPLES, key, begin, end, channels) for name in names]
    for blob in spooled:
        parts += [rows for one, rows in spool.decode(blob)[0] if one == key]
    parts = [rows[(rows.time_ns >= begin) & (rows.time_ns < end)] for rows in parts if len(rows)]
    if not any(map(len, parts)):
        return NO_ROWS
    joined = Rows.join([_only(rows, channels) for rows in parts if len(rows)])
    _, first = np.unique(joined.time_ns, return_index=True)
    return joined[first]


def _only(rows: Rows, channels: Collection[str]) -> Rows:
    return Rows(rows.time_ns, {name: column for name, column in rows.columns.items() if name in channels})


def _recorded(path: Path, key: Key, begin: Instant, end: Instant, channels: Collection[str]) -> Rows:
    import pyarrow as pa  # type: ignore[import-untyped]  # ships no types; slow to import, so only here
    import pyarrow.parquet as pq  # type: ignore[import-untyped]  # likewise

    stamp = pa.timestamp("ns", tz="UTC")
    filters = [
        ("hammer", "=", key[1]),
        ("time", ">=", pa.scalar(begin, stamp)),
        ("time", "<", pa.scalar(end, stamp)),
    ]
    try:
        present = [name for name in pq.read_schema(path).names if name in channels]
        table = pq.read_table(path, columns=["time", *present], filters=filters, use_threads=False)
    except (OSError, pa.ArrowException):
        return NO_ROWS
    columns = {
        name: table[name].cast(pa.float64()).to_numpy(zero_copy_only=False).astype(np.float64)
        for name in present
    }
    times = table["time"].cast(pa.int64()).to_numpy().astype(np.int64)
    return Rows(times, columns)
