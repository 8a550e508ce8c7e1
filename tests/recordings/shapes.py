"""A short recorded shift and ways to write it to files."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types

from strikewatch.service.recorded.replay import ReplayResult, replay_shifts
from strikewatch.settings.faults import Faults
from strikewatch.sources.recordings import open_shifts

SITE: Final = "fennick-hollow"
START: Final = pd.Timestamp("2026-03-04T07:00:00Z")
EVENTS: Final = [
    {"time": "2026-03-04T07:00:00Z", "hammer": "HB-01", "event": "sign_on", "operator": "op-14"},
    {"time": "2026-03-04T07:00:50Z", "hammer": "HB-02", "event": "grease", "strokes": [3, 12]},
]


def frame() -> pd.DataFrame:
    """Return two hammers with a row each half second for 80 s: same_spot, hot_oil, grease_short."""
    n = 160
    t = np.arange(n) / 2
    parts = []
    for hammer, warm in (("HB-01", 0.0), ("HB-02", 6.0)):
        parts.append(
            pd.DataFrame(
                {
                    "time": (START + pd.to_timedelta(t * 1e9, unit="ns")).as_unit("ns"),
                    "hammer": hammer,
                    "active": (t >= 10) & (t < 40),
                    "pressure_bar": np.where((t >= 10) & (t < 40), 150.0, 20.0) + (np.arange(n) % 4),
                    "oil_c": 75.0 + warm + (np.arange(n) % 2) * 0.5,
                }
            )
        )
    return pd.concat(parts).sort_values(["time", "hammer"], kind="stable").reset_index(drop=True)


def folder(path: Path, events: list[dict[str, Any]] | None = None) -> Path:
    """Create a shift folder named after the site, with events only."""
    shift = path / SITE
    shift.mkdir(parents=True)
    lines = "".join(json.dumps(event) + "\n" for event in (EVENTS if events is None else events))
    (shift / "events.jsonl").write_text(lines)
    return shift


def replayed(path: Path) -> ReplayResult:
    faults = Faults().by_detector()
    return replay_shifts(open_shifts(path), lambda _key: faults)


def parquet(path: Path, table: Any, **options: Any) -> ReplayResult:
    """Write a table as a shift's Parquet file, and replay it."""
    shift = folder(path)
    if isinstance(table, pd.DataFrame):
        table = pa.Table.from_pandas(table, preserve_index=False)
    pq.write_table(table, shift / "samples.parquet", **options)
    return replayed(shift)


def csv(path: Path, text: str | bytes) -> ReplayResult:
    shift = folder(path)
    (shift / "samples.csv").write_bytes(text.encode() if isinstance(text, str) else text)
    return replayed(shift)


def column(name: str, change: Callable[[Any], Any]) -> Callable[[pd.DataFrame], Any]:
    """Return a function that writes a table with one Arrow column changed."""

    def written(samples: pd.DataFrame) -> Any:
        table = pa.Table.from_pandas(samples, preserve_index=False)
        return table.set_column(table.column_names.index(name), name, change(table[name]))

    return written
