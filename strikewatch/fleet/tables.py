"""The tables that a replay of a fleet writes, as Parquet.

Times ending in `_ns` are int64 nanoseconds since 1970, the others timestamps in UTC to the microsecond. `segment_ns`:
the first instant of the segment in which a row was found; a later run replaces whole segments of a hammer.
"""

import json
import uuid
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types

from strikewatch.core.alert import Alert
from strikewatch.core.bout import REASONS, AttributedBout, Bout
from strikewatch.core.instant import Instant
from strikewatch.core.stretch import AttributedStretch
from strikewatch.engine.step_result import StepResult

_TEXT: Final = pa.string()
_NS: Final = pa.int64()
_TIME: Final = pa.timestamp("us", "UTC")
_HAMMER: Final = (("site", _TEXT), ("hammer", _TEXT), ("segment_ns", _NS))
_MEASURED: Final = tuple(name for name in Bout._fields[3:] if name != "not_judged")
_WORK: Final = (("operator", _TEXT), ("tool", _TEXT), ("start", _TIME), ("start_ns", _NS), ("end_ns", _NS))

SCHEMAS: Final[Mapping[str, Any]] = {
    name: pa.schema([*_HAMMER, *columns])
    for name, columns in {
        # one row an alert; `record`: the alert record, one JSON object
        "alerts": [
            *((name, _TEXT) for name in ("operator", "fault", "priority", "id")),
            *(
                ("onset", _TIME),
                ("cleared", _TIME),
                ("onset_ns", _NS),
                ("cleared_ns", _NS),
                ("record", _TEXT),
            ),
        ],
        # one row a bout, measured as in `core.bout.Bout`; NaN where unknown
        "bouts": [*_WORK, *((name, pa.float64()) for name in _MEASURED), ("not_judged", _TEXT)],
        # one row a stretch of work
        "stretches": [*_WORK, ("operating_ns", pa.float64()), ("firing_ns", pa.float64())],
        # what became of the rows of each segment; `not_found`: corrections without effect
        "counts": [
            (name, _NS)
            for name in ("used", "duplicate", "late", "wrong_clock", "merged", "not_found", "firing_ns")
        ],
        # faults that a segment's recordings cannot show ("none"), only infer ("inferred"), or show in part ("some")
        "coverage": [("fault", _TEXT), ("shown", _TEXT), ("reason", _TEXT)],
        # what was left out of a recording, as far as it was read for this hammer
        "losses": [("place", _TEXT), ("percent", pa.float64()), ("reasons", _TEXT)],
        # the recordings that have been replayed
        "recordings": [
            *(("place", _TEXT), ("fingerprint", _TEXT), ("first_ns", _NS), ("last_ns", _NS), ("rows", _NS))
        ],
        # the saved state at the end of each segment, one row group a state
        "states": [("reached_ns", _NS), ("layout", _TEXT), ("settings", _TEXT), ("saved", pa.binary())],
    }.items()
}

Row = Sequence[Any]


def alert_row(alert: Alert, segment: Instant) -> Row:
    """Return a row of `alerts`."""
    record = alert.record()
    onset, cleared = alert.onset, alert.cleared
    return (
        *(alert.site, alert.hammer, segment, alert.operator, alert.fault, alert.priority, record["id"]),
        *(onset // 1000, None if cleared is None else cleared // 1000, onset, cleared),
        json.dumps(record, ensure_ascii=False),
    )


def bout_row(attributed: AttributedBout, segment: Instant) -> Row:
    """Return a row of `bouts`."""
    bout, operator, tool = attributed
    measured = [getattr(bout, name) for name in _MEASURED]
    reason = REASONS[int(bout.not_judged)]
    return (*bout.key, segment, operator, tool, bout.start // 1000, bout.start, bout.end, *measured, reason)


def bout_table(steps: Sequence[StepResult], segment: Instant) -> Any:
    """Return the bouts of some steps as a `pyarrow.Table` of `bouts`: the same rows, made a column at a time."""
    parts = []
    for step in steps:
        for key, starts, ends, values in step.bout_columns(*_MEASURED, "not_judged"):
            n = len(starts)
            operators, tools = step.operators_and_tools(key, starts)
            site, hammer = (pa.array([name] * n, _TEXT) for name in key)
            reasons = [REASONS[k] for k in values[-1].astype(int).tolist()]
            columns = (
                *(site, hammer, np.full(n, segment), pa.array(operators, _TEXT), pa.array(tools, _TEXT)),
                *(pa.array(starts // 1000, _TIME), starts, ends, *values[:-1], pa.array(reasons, _TEXT)),
            )
            parts.append(pa.Table.from_arrays([pa.array(c) for c in columns], schema=SCHEMAS["bouts"]))
    return pa.concat_tables([SCHEMAS["bouts"].empty_table(), *parts])


def stretch_row(attributed: AttributedStretch, segment: Instant) -> Row:
    """Return a row of `stretches`."""
    stretch, operator, tool = attributed
    start, end = stretch.start, stretch.end
    return (
        *(*stretch.key, segment, operator, tool, start // 1000, start, end),
        *(stretch.operating_ns, stretch.firing_ns),
    )


class Writer:
    """Writes rows into new files of a folder, one for each table that has any. Use it as a context."""

    FLUSH_ROWS: Final = 20_000

    def __init__(self, folder: Path) -> None:
        self.files: dict[str, str] = {}
        """Table → name of its file."""
        self._folder = folder
        self._name = f"{uuid.uuid4().hex}.parquet"
        self._writers: dict[str, Any] = {}
        self._waiting: dict[str, list[Any]] = {name: [] for name in SCHEMAS}  # as `pyarrow.Table`

    def __enter__(self) -> "Writer":
        return self

    def __exit__(self, *_: object) -> None:
        for table in SCHEMAS:
            self._flush(table)
        for writer in self._writers.values():
            writer.close()

    def add(self, table: str, rows: Iterable[Row]) -> None:
        """Add rows to a table."""
        schema = SCHEMAS[table]
        if columns := list(zip(*rows, strict=True)):
            arrays = [pa.array(column, f.type) for column, f in zip(columns, schema, strict=True)]
            self.add_table(table, pa.Table.from_arrays(arrays, schema=schema))

    def add_table(self, table: str, rows: Any) -> None:
        """Add the rows of a `pyarrow.Table` to a table. A saved state becomes a row group of its own."""
        waiting = self._waiting[table]
        waiting.append(rows)
        if sum(map(len, waiting)) >= (1 if table == "states" else self.FLUSH_ROWS):
            self._flush(table)

    def _flush(self, table: str) -> None:
        waiting, self._waiting[table] = self._waiting[table], []
        if not any(map(len, waiting)):
            return
        if table not in self._writers:
            self.files[table] = self._name
            (self._folder / table).mkdir(parents=True, exist_ok=True)
            path = self._folder / table / self._name
            self._writers[table] = pq.ParquetWriter(path, SCHEMAS[table], compression="zstd")
        self._writers[table].write_table(pa.concat_tables(waiting))
