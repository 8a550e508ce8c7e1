"""(b) Replay of a Parquet shift against merely reading its columns."""

import tempfile
from pathlib import Path

import pyarrow.parquet as pq

from strikewatch.service.recorded.replay import replay_shifts
from strikewatch.sources.recordings import open_shifts
from strikewatch.storage.recorder.parquet import write_shift
from tests.long.benchmarks import data
from tests.long.benchmarks.table import Line, measure

ROWS = 1_000_000
HAMMERS = 4


def read(path: Path) -> None:
    """Read every column except the names into numpy, as a replay does."""
    file = pq.ParquetFile(path)
    names = [name for name in file.schema_arrow.names if name not in ("site", "hammer")]
    for group in range(file.num_row_groups):
        table = file.read_row_group(group, columns=names, use_threads=False)
        for name in names:
            table[name].to_numpy()


def lines() -> list[Line]:
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for name, made, live in (
            ("bare feed, recorded live", data.bare, True),
            ("bare feed, foreign table", data.bare, False),
            ("with pose and engine, recorded live", data.rich, True),
        ):
            shift = Path(folder) / name
            both = [made(ROWS, key) for key in data.BOTH]
            by_hammer = {f"HB-{k:02d}": both[k % 2] for k in range(HAMMERS)}
            write_shift(shift, "fennick-hollow", by_hammer, live=live)
            (a, cpu_s), (b, _), (c, records_cpu_s) = measure(
                lambda shift=shift: replay_shifts(open_shifts(shift), data.settings_of),  # type: ignore[misc]
                lambda shift=shift: read(shift / "samples.parquet"),  # type: ignore[misc]
                lambda shift=shift: replay_shifts(open_shifts(shift), data.settings_of).records,  # type: ignore[misc]
            )
            total = ROWS * HAMMERS
            what = f"replay, {name}: {total / a / 1e6:.1f} M rows/s (reading {total / b / 1e6:.1f})"
            found.append(Line(what, "replay / reading", a / b, "<= 1.5", 1e6 * cpu_s / total))
            what = f"with alert records, {name}: {total / c / 1e6:.1f} M rows/s"
            found.append(Line(what, "replay / reading", c / b, "", 1e6 * records_cpu_s / total))
    return found
