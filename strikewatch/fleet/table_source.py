"""Samples that are not files: save a DataFrame of Spark as recordings, one for each hammer and month.

The rows of a hammer are packed into compressed runs before Spark moves them between tasks, which costs a tenth of
moving single rows. A task writes its recordings one run after another, so a hammer's month is never in memory unpacked.
What is saved is replayed like all other recordings, and a later table with later rows continues from there.
"""

import json
import shutil
import tempfile
import uuid
from collections.abc import Callable, Iterable, Iterator
from itertools import chain, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.compute as pc  # type: ignore[import-untyped]  # ships no types

from strikewatch.core.batch import Rows
from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.errors import InputError
from strikewatch.fleet.recordings import file_name
from strikewatch.fleet.replay import Summary, replay_fleet
from strikewatch.fleet.spark import workers
from strikewatch.settings.tree import Settings
from strikewatch.storage.recorder.parquet import EVENTS, GROUP_ROWS, SAMPLES, SamplesWriter

if TYPE_CHECKING:
    from pyspark.sql import DataFrame

PACKED_ROWS: Final = 1_000_000
"""Rows of all hammers that a task packs at once."""
_PACKED: Final = pa.schema(
    [
        *(("site", pa.string()), ("hammer", pa.string()), ("month", pa.string()), ("first_ns", pa.int64())),
        *(("rows", pa.int64()), ("events", pa.bool_()), ("packed", pa.binary())),
    ]
)
_PACKED_COLUMNS: Final = (
    "site string, hammer string, month string, first_ns long, rows long, events boolean, packed binary"
)
_KEY: Final = ("site", "hammer", "month")


def replay_table(
    samples: "DataFrame",
    recordings: Path,
    to: Path,
    settings: Settings,
    *,
    events: "DataFrame | None" = None,
    allow_loss: float = 1.0,
) -> Summary:
    """Save samples as recordings, and replay those below `recordings` that are new into a folder of tables.

    Args:
        samples: as for `save_recordings`.
        recordings: a folder that is kept: a later run needs it if rows arrive late.
        to: the folder of the tables, as for `replay_fleet`.
        settings: of all hammers.
        events: as for `save_recordings`.
        allow_loss: percent of a recording that may be unusable before it is listed in `Summary.lossy`.

    Raises:
        InputError: the columns cannot be used, or as `replay_fleet`.
        Refused: another run is writing into the folder.
    """
    save_recordings(samples, recordings, events)
    spark = samples.sparkSession
    return replay_fleet(
        [recordings], to, settings, own_settings=False, allow_loss=allow_loss, workers=workers(spark)
    )


def save_recordings(samples: "DataFrame", folder: Path, events: "DataFrame | None" = None) -> int:
    """Save the rows of a DataFrame as new recordings below a folder that all workers see; return their number.

    Args:
        samples: one row per hammer and instant: `site`, `hammer`, `time_ns` (int64, since 1970) or `time` (timestamp),
            and channels by their names. Rows may be in any order. Of two rows of a hammer at one instant only one is
            used; which one is not defined.
        folder: of the recordings, `SITE/HAMMER/MONTH-…`.
        events: `site`, `hammer`, and `record`: an event as JSON, as in `events.jsonl`.

    Raises InputError if columns are missing or unknown, or if rows lack a site, hammer or time; nothing is saved then.
    """
    channels = _channels(samples)
    booleans = [name for name, kind in samples.dtypes if name in channels and kind == "boolean"]
    time = "time_ns" if "time_ns" in samples.columns else "time"
    packed = samples.select("site", "hammer", time, *channels).mapInArrow(
        lambda batches: _pack(batches, _runs), _PACKED_COLUMNS
    )
    if events is not None:
        if missing := {"site", "hammer", "record"} - set(events.columns):
            raise InputError(f"events: column `{min(missing)}` is missing")
        of_events = events.select("site", "hammer", "record").mapInArrow(
            lambda batches: _pack(batches, _event_runs), _PACKED_COLUMNS
        )
        packed = packed.unionByName(of_events)
    number, root = uuid.uuid4().hex[:12], folder.absolute()

    def save(group: pa.Table) -> pa.Table:
        return _save(root, number, channels, booleans, group)

    saved = packed.groupBy(*_KEY).applyInArrow(save, "place string, rows long").collect()
    if lost := sum(row["rows"] for row in saved if row["place"] is None):
        for row in saved:
            if row["place"] is not None:
                shutil.rmtree(row["place"])
        raise InputError(
            f"{lost:,} rows have no site, hammer or time, or are events that are not JSON objects; leave them out. "
            "Nothing is saved"
        )
    return len(saved)


def _channels(samples: "DataFrame") -> list[str]:
    columns = set(samples.columns)
    missing = [name for name in ("site", "hammer") if name not in columns]
    if not columns & {"time", "time_ns"}:
        missing.append("time_ns")
    if missing:
        raise InputError(
            f"samples: column `{missing[0]}` is missing; there are: {', '.join(samples.columns)}"
        )
    known = [name for name in samples.columns if name in CHANNELS or name in ALIASES]
    if not known:
        raise InputError("samples: no column is a channel; see strikewatch channels for their names")
    return known


def _pack(
    batches: Iterable[pa.RecordBatch], runs_of: Callable[[pa.Table], Iterator[dict[str, Any]]]
) -> Iterator[pa.RecordBatch]:
    """Turn rows into runs, one row of `_PACKED` each."""
    waiting: list[pa.RecordBatch] = []
    for batch in chain(batches, (None,)):
        if batch is not None:
            waiting.append(batch)
        if waiting and (batch is None or sum(map(len, waiting)) >= PACKED_ROWS):
            runs = list(runs_of(pa.Table.from_batches(waiting)))
            waiting = []
            yield from pa.Table.from_pylist(runs, _PACKED).to_batches()


def _runs(rows: pa.Table) -> Iterator[dict[str, Any]]:
    """Yield the rows of each hammer and month, sorted by time, in runs of at most a row group."""
    usable = pc.and_(pc.is_valid(rows["site"]), pc.and_(pc.is_valid(rows["hammer"]), pc.is_valid(rows[2])))
    if unusable := len(rows) - pc.sum(usable).as_py():
        yield {"rows": unusable, "events": False}
        rows = rows.filter(usable)
    if pa.types.is_timestamp(rows[2].type):
        times = rows[2].cast(pa.timestamp("ns", rows[2].type.tz)).cast(pa.int64())
        rows = rows.set_column(2, "time_ns", times)
    rows = rows.rename_columns(["site", "hammer", "time_ns", *rows.column_names[3:]])
    rows = rows.sort_by([(name, "ascending") for name in ("site", "hammer", "time_ns")]).combine_chunks()
    time_ns = rows["time_ns"].to_numpy()
    months = time_ns.view("datetime64[ns]").astype("datetime64[M]")
    codes = [
        pc.dictionary_encode(rows[name]).combine_chunks().indices.to_numpy() for name in ("site", "hammer")
    ]
    changes = np.any([np.diff(one.astype(np.int64)) != 0 for one in (*codes, months)], axis=0)
    bounds = [0, *(np.flatnonzero(changes) + 1).tolist(), len(rows)]
    for begin, end in pairwise(bounds):
        for first in range(begin, end, GROUP_ROWS):
            run = rows.slice(first, min(GROUP_ROWS, end - first))
            yield {
                "site": run["site"][0].as_py(),
                "hammer": run["hammer"][0].as_py(),
                "month": str(months[first]),
                "first_ns": int(time_ns[first]),
                "rows": len(run),
                "events": False,
                "packed": _packed(run.drop_columns(["site", "hammer"])),
            }


def _event_runs(rows: pa.Table) -> Iterator[dict[str, Any]]:
    """Yield each event as a run, or as a row without a hammer if it cannot be one."""
    for row in rows.to_pylist():
        try:
            yield _event_run(row["site"], row["hammer"], row["record"])
        except (TypeError, ValueError, OverflowError):
            yield {"rows": 1, "events": False}


def _event_run(site: str | None, hammer: str | None, text: str) -> dict[str, Any]:
    """Return an event as a run; its month is that of the time in its text."""
    record = json.loads(text)
    if "time_ms" in record:
        month = str(np.datetime64(int(record["time_ms"]), "ms").astype("datetime64[M]"))
    else:
        month = str(record.get("time"))[:7]
    key = {"site": site, "hammer": hammer}
    line = json.dumps(record | key, ensure_ascii=False)
    return key | {"month": month, "first_ns": 0, "rows": 1, "events": True, "packed": line.encode()}


def _packed(run: pa.Table) -> bytes:
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, run.schema, options=pa.ipc.IpcWriteOptions(compression="zstd")) as writer:
        writer.write_table(run)
    return bytes(sink.getvalue())


def _save(root: Path, number: str, channels: list[str], booleans: list[str], group: pa.Table) -> pa.Table:
    """Write the runs of one hammer and month as a recording; return its place, and its number of rows."""
    site, hammer, month = (group[name][0].as_py() for name in _KEY)
    if site is None or hammer is None or month is None:
        return pa.table({"place": pa.array([None], pa.string()), "rows": [pc.sum(group["rows"]).as_py()]})
    final = root.joinpath(*(file_name(name) for name in (site, hammer, f"{month}-{number}")))
    final.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".", dir=final.parent) as name:
        folder = Path(name, "new")
        folder.mkdir()
        runs = group.filter(pc.invert(group["events"])).sort_by("first_ns")
        with SamplesWriter(folder / SAMPLES, channels, booleans) as writer:
            for rows in _joined(runs["packed"]):
                writer.write((site, hammer), rows)
        lines = [line.decode() for line in group.filter(group["events"])["packed"].to_pylist()]
        if lines:
            (folder / EVENTS).write_text("".join(f"{line}\n" for line in sorted(lines)), encoding="utf-8")
        if not final.exists():  # written by an earlier attempt at this task
            folder.replace(final)
    return pa.table({"place": [str(final)], "rows": [pc.sum(runs["rows"]).as_py() or 0]})


def _joined(runs: Iterable[Any]) -> Iterator[Rows]:
    """Yield the rows of runs as row groups; short runs are joined, and sorted together."""
    waiting: list[pa.Table] = []
    for run in chain(runs, (None,)):
        table = None if run is None else pa.ipc.open_stream(run.as_py()).read_all()
        if waiting and (table is None or sum(map(len, waiting)) + len(table) > GROUP_ROWS):
            yield _rows(pa.concat_tables(waiting).sort_by("time_ns"))
            waiting = []
        if table is not None:
            waiting.append(table)


def _rows(table: pa.Table) -> Rows:
    columns = {
        name: table[name].cast(pa.float64()).to_numpy()
        if not pa.types.is_boolean(table[name].type)
        else table[name].cast(pa.uint8()).cast(pa.float64()).to_numpy()
        for name in table.column_names[1:]
    }
    return Rows(table["time_ns"].to_numpy(), columns)
