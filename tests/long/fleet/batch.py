"""Measure the replay of a fleet's recordings: rows per second of CPU, one and two cores, memory, bytes.

A recorded day of two hammers of the invented site, with noise in the pressure, is repeated for 30 days, as one file a
hammer or one a day; the other hammers are hard links to these files, so that any number of rows is made in seconds. Two
figures are for comparison: the same columns read by pyarrow in one process, and by Spark into its Python workers.
"""

import os
import resource
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND
from strikewatch.fleet.folder import FleetFolder
from strikewatch.fleet.replay import Workers, replay_fleet
from strikewatch.fleet.spark import session, workers
from strikewatch.settings.tree import load
from strikewatch.storage.recorder.parquet import GROUP_ROWS, write_shift
from tests.long.benchmarks import data

DAY_ROWS = 8 * 3600 * 10
DAYS = 30
DAY_NS = 86_400 * SECOND


def record(folder: Path, hammers: int, *, by_day: bool = False) -> int:
    """Write the recordings below a folder; return their rows."""
    made: list[list[Path]] = []
    for k in range(hammers):
        own = folder / "site=fennick-hollow" / f"hammer=HB-{k:04}"
        if k < 2:
            one = data.bare(DAY_ROWS, data.BOTH[k])
            one.columns["pressure_bar"][:] += np.random.default_rng(k).normal(0.0, 0.5, DAY_ROWS).round(1)
            days = [Rows(one.time_ns + day * DAY_NS, one.columns) for day in range(DAYS)]
            parts = days if by_day else [Rows.join(days)]
            made.append([_write(own / f"{number:02}", rows) for number, rows in enumerate(parts)])
        for path in made[k % 2] if k >= 2 else ():
            (own / path.parent.name).mkdir(parents=True)
            os.link(path, own / path.parent.name / path.name)
    return hammers * DAYS * DAY_ROWS


def _write(folder: Path, rows: Rows) -> Path:
    """Write a recording as the live recorder encodes it; the folders name site and hammer."""
    write_shift(folder, "fennick-hollow", {"HB-01": rows}, live=True)
    path = folder / "samples.parquet"
    table = pq.read_table(path, partitioning=None).drop_columns(["site", "hammer"])
    floats = [field.name for field in table.schema if field.type == pa.float64()]
    pq.write_table(
        table,
        path,
        row_group_size=GROUP_ROWS,
        compression="zstd",
        use_dictionary=False,
        column_encoding={"time": "DELTA_BINARY_PACKED"} | dict.fromkeys(floats, "BYTE_STREAM_SPLIT"),
    )
    return path


def read(path: str) -> int:
    """Read every column into numpy; return the number of rows."""
    file = pq.ParquetFile(path)
    for group in range(file.num_row_groups):
        table = file.read_row_group(group, use_threads=False)
        for column in table.columns:
            column.to_numpy()
    return int(file.metadata.num_rows)


def _timed(function: Callable[[Any], Any], item: Any) -> tuple[Any, float, int]:
    """Return a result, its seconds of CPU, and the most memory that the worker had so far, kB."""
    begin = time.process_time()
    result = function(item)
    return result, time.process_time() - begin, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


class _Measured:
    """Workers that add up the CPU of their tasks, s."""

    def __init__(self, inner: Workers) -> None:
        self.cpu_s, self.memory_kb = 0.0, 0
        self._inner = inner

    @property
    def workers(self) -> Workers:
        def run(function: Callable[[Any], Any], items: Sequence[Any]) -> Iterable[Any]:
            for result, cpu_s, memory_kb in self._inner.run(partial(_timed, function), items):
                self.cpu_s += cpu_s
                self.memory_kb = max(self.memory_kb, memory_kb)
                yield result

        return replace(self._inner, map=run)


def _jvm_s(spark: Any) -> float:
    """Return the seconds of CPU of Spark's JVM so far."""
    fields = Path(f"/proc/{spark.sparkContext._gateway.proc.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _consumed(batches: Iterator[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
    begin, rows = time.process_time(), 0
    for batch in batches:
        for column in batch.columns:
            column.to_numpy(zero_copy_only=False)
        rows += len(batch)
    yield pa.RecordBatch.from_pydict({"rows": [rows], "cpu_s": [time.process_time() - begin]})


@contextmanager
def _printed(what: str, rows: int) -> Iterator[list[float]]:
    """Print wall time, and the CPU that is put into the list, or else that of this process."""
    cpu: list[float] = []
    begin, begin_cpu = time.perf_counter(), time.process_time()
    yield cpu
    cpu_s = sum(cpu) if cpu else time.process_time() - begin_cpu
    wall_s = time.perf_counter() - begin
    print(
        f"{what:44} {cpu_s:8.2f} s of CPU {rows / cpu_s / 1e6:7.2f} M rows per CPU second"
        f" {wall_s:8.1f} s in all",
        flush=True,
    )


def measure(folder: Path, hammers: int, *, by_day: bool, cores: Sequence[int]) -> None:
    """Print the figures for a number of hammers."""
    source = folder / "recordings"
    rows = record(source, hammers, by_day=by_day)
    files = [str(path) for path in source.rglob("*.parquet")]
    print(f"{rows / 1e6:.1f} M rows of {hammers} hammers, {DAYS} days, {len(files)} files", flush=True)
    replay_fleet([source / "site=fennick-hollow" / "hammer=HB-0000" / "00"], folder / "warm", load())
    with _printed("reading by pyarrow, one process", rows):
        for path in files:
            read(path)
    with _printed("replay, one process", rows):
        replay_fleet([source], folder / "fleet", load())
    _print_sizes(FleetFolder(folder / "fleet"), files, rows, hammers)
    for number in cores:
        with session(f"local[{number}]", spark_driver_memory="1g") as spark:
            workers(spark).run(len, ["start"] * number)
            with _printed(f"Spark local[{number}]: reading into Python", rows) as cpu:
                before = _jvm_s(spark)
                spark.conf.set("spark.sql.legacy.parquet.nanosAsLong", "true")
                frame = spark.read.parquet(*files)
                parts = frame.mapInArrow(_consumed, "rows long, cpu_s double").collect()
                assert sum(part["rows"] for part in parts) == rows
                cpu += [_jvm_s(spark) - before, *(part["cpu_s"] for part in parts)]
            with _printed(f"Spark local[{number}]: replay", rows) as cpu:
                before, measured = _jvm_s(spark), _Measured(workers(spark))
                replay_fleet([source], folder / f"spark-{number}", load(), workers=measured.workers)
                cpu += [_jvm_s(spark) - before, measured.cpu_s]
            print(f"memory of a worker: {measured.memory_kb / 1e3:.0f} MB at most", flush=True)


def _print_sizes(fleet: FleetFolder, files: Sequence[str], rows: int, hammers: int) -> None:
    recorded = sum(Path(path).stat().st_size for path in files)
    tables = sum(path.stat().st_size for path in fleet.path.glob("*/*.parquet"))
    states = sum(path.stat().st_size for path in fleet.files("states"))
    print(f"recordings: {recorded / rows:.2f} bytes a row")
    print(f"tables: {tables / hammers / DAYS / 1e3:.1f} kB a hammer and day")
    print(f"state: {states / hammers / 1e3:.1f} kB a hammer and month", flush=True)
