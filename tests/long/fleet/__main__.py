"""Measure the replay of a fleet: `python -m tests.long.fleet [HAMMERS] [DAYS] [--spark]`.

Prints CPU seconds and rows per CPU second of reading the columns alone, and of the whole replay, and how many bytes a
state and the tables take. Recordings: 8 h a day at 10 Hz, a file per hammer and day. With `--spark`: also the wall time
on `local[1]` and `local[2]`.

Of streams: `python -m tests.long.fleet kills [NUMBER]`, see `kills`, and `python -m tests.long.fleet rate [HAMMERS]
[BLOCKS]`, see `stream_rate`.
"""

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from strikewatch.fleet.folder import FleetFolder
from strikewatch.fleet.replay import replay_fleet
from strikewatch.fleet.spark import session, workers
from strikewatch.settings.tree import load
from tests.long.fleet import kills, stream_rate

ROWS = 8 * 3600 * 10
COLUMNS = ("time", "active", "pressure_bar", "oil_c", "engine_rpm")


def record(folder: Path, hammer: str, day: int) -> None:
    """Write a day of bouts of 5 to 20 s, as the recorder encodes them."""
    rng = np.random.default_rng([day, *hammer.encode()])
    lengths = rng.integers(50, 200, 4 * ROWS // 100)
    active = np.repeat(np.arange(len(lengths)) % 3 > 0, lengths)[:ROWS]
    times = np.datetime64("2026-01-05T06:00", "ns") + np.arange(ROWS) * np.timedelta64(100, "ms")
    times = times + np.timedelta64(day, "D")
    pressure = np.where(active, 140.0 + rng.normal(0.0, 4.0, ROWS), 20.0).round(1)
    table = pa.table(
        {
            "time": pa.array(times, pa.timestamp("ns", "UTC")),
            "site": ["fennick-hollow"] * ROWS,
            "hammer": [hammer] * ROWS,
            "active": active,
            "pressure_bar": pressure.astype(np.float32),
            "oil_c": (60.0 + 15.0 * np.sin(np.arange(ROWS) / ROWS * 3.0)).round(1).astype(np.float32),
            "engine_rpm": np.full(ROWS, 1700.0, np.float32),
        }
    )
    path = folder / hammer / f"day-{day:03}"
    path.mkdir(parents=True)
    pq.write_table(table, path / "samples.parquet", row_group_size=131_072, compression="zstd")


def main() -> None:
    if sys.argv[1:2] == ["kills"]:
        with tempfile.TemporaryDirectory() as name:
            result = kills.run(Path(name), kills=int((*sys.argv[2:], 20)[0]))
        print(result)
        sys.exit(not result.passed)
    if sys.argv[1:2] == ["rate"]:
        stream_rate.main(*map(int, sys.argv[2:4]))
        return
    numbers = [int(word) for word in sys.argv[1:] if word.isdecimal()]
    hammers, days = (*numbers, 6, 6)[:2] if len(numbers) != 1 else (numbers[0], 6)
    with tempfile.TemporaryDirectory() as name:
        source, fleet = Path(name, "recordings"), Path(name, "fleet")
        for k in range(hammers):
            for day in range(days):
                record(source, f"HB-{k:03}", day)
        rows = hammers * days * ROWS
        replay_fleet([source / "HB-000" / "day-000"], Path(name, "warm"), load())
        begin = time.process_time()
        for path in source.rglob("*.parquet"):
            file = pq.ParquetFile(path)
            for group in range(file.num_row_groups):
                file.read_row_group(group, columns=COLUMNS, use_threads=False)
        reading_s = time.process_time() - begin
        begin = time.process_time()
        replay_fleet([source], fleet, load())
        replay_s = time.process_time() - begin
        states = FleetFolder(fleet).files("states")
        print(f"{rows / 1e6:.1f} M rows of {hammers} hammers, {days} days")
        print(f"reading the columns  {reading_s:7.2f} s of CPU  {rows / reading_s / 1e6:6.2f} M rows/s")
        print(f"the whole replay     {replay_s:7.2f} s of CPU  {rows / replay_s / 1e6:6.2f} M rows/s")
        print(
            f"recordings: {sum(p.stat().st_size for p in source.rglob('*.parquet')) / rows:.2f} bytes a row"
        )
        print(f"state: {sum(p.stat().st_size for p in states) / hammers / 1e3:.1f} kB a hammer and segment")
        tables = sum(path.stat().st_size for path in fleet.glob("*/*.parquet"))
        print(f"all tables: {tables / hammers / days / 1e3:.1f} kB a hammer and day")
        begin = time.process_time()
        replay_fleet([source], fleet, load())
        again_ms = (time.process_time() - begin) * 1e3 / hammers
        print(f"a run with nothing new: {again_ms:.0f} ms of CPU a hammer")
        print(f"memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB at most")
        for cores in (1, 2) if "--spark" in sys.argv else ():
            with session(f"local[{cores}]", spark_driver_memory="512m") as spark:
                own = workers(spark)
                own.run(_warm, [str(Path(name, "warm"))] * cores)
                begin = time.perf_counter()
                replay_fleet([source], Path(name, f"spark-{cores}"), load(), workers=own)
                took_s = time.perf_counter() - begin
                print(
                    f"Spark local[{cores}]: {took_s:.1f} s of wall time, {rows / took_s / 1e6:.2f} M rows/s"
                )


def _warm(_folder: str) -> None:
    from strikewatch.service.precompile import precompile

    precompile(lambda _: None)


if __name__ == "__main__":
    main()
