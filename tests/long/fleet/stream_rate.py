"""Rows per second of a stream: `python -m tests.long.fleet rate [HAMMERS] [BLOCKS]`.

Each hammer sends blocks of 100 rows of 3 channels, 10 s each. Printed are rows per second of CPU
of a shard's micro-batches in Python alone, with states as bytes in between, and of Spark on two cores with all its
processes.
"""

import json
import os
import tempfile
import time
from contextlib import nullcontext
from pathlib import Path

import numpy as np

from strikewatch.core.instant import text
from strikewatch.fleet.spark import session
from strikewatch.fleet.streaming.engine import StreamSettings, engine
from strikewatch.fleet.streaming.messages import from_files
from strikewatch.fleet.streaming.query import OPTIONS, start
from strikewatch.settings.tree import load
from tests.fleet.messages import Shard

ROWS = 100
START_NS = 1_772_611_200_000_000_000
SHARDS = 8
GIVEN = StreamSettings.of(load(given={"intake": {"max_hammers": 10**6, "max_hammers_per_site": 10**6}}))
PER_BATCH = 4
"""Blocks of each hammer in a micro-batch on Spark, as while a backlog is read."""
WARM = 24
"""Micro-batches before the measurement: workers load the detectors, and the JVM compiles what it runs often.

After 4, the JVM's compilers still take a third of all CPU; a stream runs for months.
"""


def block(hammer: int, number: int) -> tuple[str, bytes]:
    """Return the topic and the payload of a hammer's block: bouts of 6 to 7 s in 10 s."""
    rng = np.random.default_rng([hammer, number])
    active = np.arange(ROWS) < 60 + rng.integers(10)
    content = {
        "time": text(START_NS + number * 10_000_000_000),
        "step_s": 0.1,
        "active": active.tolist(),
        "pressure_bar": np.where(active, 140 + rng.normal(0, 4, ROWS), 20.0).round(1).tolist(),
        "oil_c": round(60 + 15 * float(np.sin(number / 100)), 1),
    }
    return f"strikewatch/fennick-hollow/HB-{hammer:04}/samples", json.dumps(content).encode()


def in_python(hammers: int, blocks: int) -> tuple[float, int]:
    """Return rows per CPU second of micro-batches of one shard without Spark, and the bytes of a state."""
    shard = Shard(GIVEN)
    engine(shard.given)
    spent = 0.0
    for number in range(blocks + 1):
        batch = [block(hammer, number) for hammer in range(hammers)]
        begin = time.process_time()
        shard.take(batch, START_NS // 1_000_000 + number * 10_000 + 10_000)
        if number:
            spent += time.process_time() - begin
    return hammers * blocks * ROWS / spent, sum(map(len, shard.hammers.values())) // hammers


def cpu_s() -> float:
    """Return the CPU seconds of all processes that this one has started, directly or not, and of itself."""
    spent, parents = {}, {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        pid = int(path.parent.name)
        parents[pid], spent[pid] = int(fields[1]), sum(map(int, fields[11:15])) / 100
    own = {os.getpid()}
    while found := {pid for pid, parent in parents.items() if parent in own and pid not in own}:
        own |= found
    return sum(spent.get(pid, 0.0) for pid in own)


def on_spark(hammers: int, blocks: int) -> tuple[float, float]:
    """Return rows per second of wall time and of CPU on `local[2]`, `blocks` micro-batches."""
    marks: list[tuple[float, float]] = []
    with tempfile.TemporaryDirectory() as name, session("local[2]", **OPTIONS) as spark:
        incoming = Path(name, "incoming")
        incoming.mkdir()
        for number in range(blocks + WARM):
            lines = [
                json.dumps({"topic": topic, "value": value.decode(), "offset": k})
                for k in range(PER_BATCH * number, PER_BATCH * (number + 1))
                for topic, value in (block(hammer, k) for hammer in range(hammers))
            ]
            (incoming / f"{number:06}.json").write_text("\n".join(lines), encoding="utf-8")
            time.sleep(0.02)  # Spark takes them in order of their times
        spark.conf.set("spark.sql.shuffle.partitions", 2)
        query = start(
            from_files(spark, incoming, "json", 1),
            GIVEN,
            lambda _number, _outcomes: marks.append((time.perf_counter(), cpu_s())),
            checkpoint=str(Path(name, "checkpoint")),
            shards=SHARDS,
            trigger_s=0.1,
            busy=nullcontext(),
        )
        while len(marks) < blocks + WARM and query.isActive:
            time.sleep(0.2)
        query.stop()
    (begin, cpu_begin), (end, cpu_end) = marks[WARM - 1], marks[WARM + blocks - 1]
    rows = hammers * blocks * PER_BATCH * ROWS
    return rows / (end - begin), rows / (cpu_end - cpu_begin)


def main(hammers: int = 500, blocks: int = 6) -> None:
    """Print the rates."""
    rate, size = in_python(hammers, blocks)
    print(f"{hammers} hammers, blocks of {ROWS} rows")
    print(f"micro-batches in Python alone: {rate:,.0f} rows per CPU second; {size / 1000:.1f} kB a state")
    wall, cpu = on_spark(hammers, blocks)
    print(f"on Spark, local[2]: {wall:,.0f} rows/s, {cpu:,.0f} rows per CPU second of all its processes")
