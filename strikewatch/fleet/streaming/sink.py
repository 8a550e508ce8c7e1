"""Write the outcome of each micro-batch to the database of alerts, and to tables, exactly once.

The number of a micro-batch is committed with its outcome. Spark repeats a micro-batch that it has not seen complete; if
its outcome is in the database, the repetition is passed over.
"""

import json
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types
import structlog

from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.errors import StoreError
from strikewatch.fleet.streaming.saved import Outcome, joined
from strikewatch.fleet.tables import SCHEMAS, Row, bout_row, stretch_row
from strikewatch.service.committer import Committer, SendUrgent
from strikewatch.service.step_journal import StepJournal
from strikewatch.sinks.log import log_changes
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store

_log: Final = structlog.get_logger("stream")

UNSTORABLE_REMEDY: Final = (
    "the stream ends here after each start: report this text, and begin with a new checkpoint; from Kafka with "
    "--kafka-option startingOffsets=latest"
)
_TEXT: Final = pa.string()
STEPS: Final = pa.schema(
    [
        *((name, _TEXT) for name in ("site", "hammer", "operator", "fault", "priority", "id", "step")),
        *(("onset_ns", pa.int64()), ("cleared_ns", pa.int64()), ("record", _TEXT)),
    ]
)
"""One row a step of an alert, also those that are not sent; the last row of an id is its final state."""


class Sink:
    """Writes outcomes. Used by one thread at a time.

    Args:
        store: the database of alerts; it queues the messages to the endpoints.
        folder: where tables are written; None: nowhere.
        alerts_changed: called after a micro-batch that changed alerts.
        wait: waits for up to so many seconds and returns whether to stop.
        stream: returns the id of the streaming query, which stays that of its checkpoint.
        send_urgent: sends messages before they are stored.
    """

    def __init__(
        self,
        store: Store,
        folder: Path | None,
        alerts_changed: Callable[[], None],
        wait: Callable[[float], bool],
        stream: Callable[[], str],
        send_urgent: SendUrgent = lambda _messages: None,
        monotonic: Callable[[], Instant] = time.monotonic_ns,
    ) -> None:
        self._store = store
        self._folder = folder
        self._alerts_changed = alerts_changed
        self._stream = stream
        self._newest: int | None = None
        self._committer = Committer(store, StepJournal(), send_urgent, monotonic, wait, UNSTORABLE_REMEDY)
        self._hammers: set[Key] = set()
        for alert in store.load().alerts:
            self._committer.restore(alert.record, alert.onset)
        self.messages = self.rows = 0
        """Number of messages processed, and of rows that went into the detectors."""
        self.failure: StoreError | None = None
        """What the database has refused for good."""

    def write(self, number: int, outcomes: Sequence[bytes]) -> None:
        """Write a micro-batch; retry while the database refuses. Raises StoreError if there is no use in that."""
        if self._newest is None:
            self._newest = self._store.newest_batch(self._stream())
        if number <= self._newest:
            _log.info("batch_repeated", batch=number)
            return
        decoded = [Outcome.decode(one) for one in outcomes]
        self.messages += sum(one.messages for one in decoded)
        self.rows += sum(one.rows for one in decoded)
        for event, key, fields in (warning for one in decoded for warning in one.warnings):
            _log.warning(event, site=key[0], hammer=key[1], **fields)
        found = joined(decoded)
        self._hammers.update((change.site, change.hammer) for change in found.changes)
        self._hammers.update(stretch.stretch.key for stretch in found.stretches)
        own_changes = self._committer.check_database(now := time.time_ns(), self._hammers)
        if all(one.empty for one in decoded) and not own_changes:
            return
        if self._folder is not None:
            self._write_tables(self._folder, number, found)
        record = replace(
            found,
            received=found.received or now,
            changes=[*found.changes, *own_changes],
            stream_batch=(self._stream(), number),
        )
        try:
            self._committer.commit(record, self._hammers)
        except StoreError as error:
            self.failure = error
            raise
        self._newest = number
        if record.changes:
            self._alerts_changed()
            log_changes(found.changes)

    def _write_tables(self, folder: Path, number: int, record: StepRecord) -> None:
        """Write a file for each table that has rows; a repetition replaces it."""
        steps: list[Row] = [
            (
                *(change.site, change.hammer, change.record["operator"], change.record["fault"]),
                *(change.record["priority"], change.alert_id, change.step, change.onset, change.cleared),
                json.dumps(change.record, ensure_ascii=False),
            )
            for change in record.changes
        ]
        for table, schema, rows in (
            ("steps", STEPS, steps),
            ("bouts", SCHEMAS["bouts"], [bout_row(bout, record.received) for bout in record.bouts]),
            (
                "stretches",
                SCHEMAS["stretches"],
                [stretch_row(one, record.received) for one in record.stretches],
            ),
        ):
            if rows:
                path = folder / table / f"stream={self._stream()}" / f"batch-{number:012}.parquet"
                _write_table(path, schema, rows)


def _write_table(path: Path, schema: Any, rows: Sequence[Row]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    columns = [pa.array(column, f.type) for column, f in zip(zip(*rows, strict=True), schema, strict=True)]
    new = path.with_name(f".{path.name}")
    pq.write_table(pa.Table.from_arrays(columns, schema=schema), new, compression="zstd")
    with new.open("rb") as file:
        os.fsync(file.fileno())
    new.replace(path)
