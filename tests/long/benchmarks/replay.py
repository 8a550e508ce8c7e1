"""(b) Replay of a Parquet shift against merely reading its columns.

A replay uses all cores, and reading one of them: where other programs take a core, only the replay takes longer. How
many cores it used is shown.
"""

import tempfile
from pathlib import Path

import pyarrow.parquet as pq

from strikewatch.service.recorded.replay import replay_shifts
from strikewatch.sources.recordings import open_shifts
from strikewatch.storage.recorder.parquet import GROUP_ROWS, write_shift
from tests.long.benchmarks import data
from tests.long.benchmarks.table import MANY_TRIALS, Line, measure

ROWS = 1_000_000
HAMMERS = 4
BY_TIME = "bare feed, foreign table by time"


def read(path: Path) -> None:
    """Read every column except the names into numpy, as a replay does."""
    file = pq.ParquetFile(path)
    names = [name for name in file.schema_arrow.names if name not in ("site", "hammer")]
    for group in range(file.num_row_groups):
        table = file.read_row_group(group, columns=names, use_threads=False)
        for name in names:
            table[name].to_numpy()


def mix(path: Path) -> None:
    """Sort a table by time, so that each row group has every hammer."""
    pq.write_table(pq.read_table(path).sort_by("time"), path, row_group_size=GROUP_ROWS)


def lines() -> list[Line]:
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for name, made, live, goal in (
            ("bare feed, recorded live", data.bare, True, "<= 1.5"),
            ("bare feed, foreign table", data.bare, False, "<= 1.5"),
            (BY_TIME, data.bare, False, ""),
            ("with pose and engine, recorded live", data.rich, True, "<= 1.5"),
        ):
            shift = Path(folder) / name
            both = [made(ROWS, key) for key in data.BOTH]
            by_hammer = {f"HB-{k:02d}": both[k % 2] for k in range(HAMMERS)}
            write_shift(shift, "fennick-hollow", by_hammer, live=live)
            if name == BY_TIME:
                mix(shift / "samples.parquet")
            a, b, c = measure(
                lambda shift=shift: replay_shifts(open_shifts(shift), data.settings_of),  # type: ignore[misc]
                lambda shift=shift: read(shift / "samples.parquet"),  # type: ignore[misc]
                lambda shift=shift: replay_shifts(open_shifts(shift), data.settings_of).records,  # type: ignore[misc]
                trials=MANY_TRIALS,
            )
            total = ROWS * HAMMERS
            for what, one, aim in ((f"replay, {name}", a, goal), (f"with alert records, {name}", c, "")):
                what += f": {total / one.wall_s / 1e6:.1f} M rows/s on {one.cores:.1f} cores"
                found.append(Line(what, "replay / reading", one.over(b), aim, 1e6 * one.cpu_s / total))
            found.append(b.alone(f"reading alone, {name}", total, reference=True))
    return found
