"""The time around an alert, as arrays for the script that draws it."""

from pathlib import Path
from typing import Any, Final

import numpy as np

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.alerts import ListedAlert
from strikewatch.storage.queries.traces import rows_between
from strikewatch.web.live.live_state import Scene

AROUND: Final = 45 * SECOND
"""Shown before the onset and after the end."""
LONGEST: Final = 1800 * SECOND
POINTS: Final = 6000
"""More rows are thinned to about so many, keeping the highest and lowest of each step."""
_SHOWN: Final = ("active", "pressure_bar", "oil_c", "engine_rpm")


def trace(
    place: DatabaseAccess, recordings: Path, scene: Scene, one: ListedAlert, now: int
) -> dict[str, Any]:
    """{"begin_ms", "onset_ms", "cleared_ms", "limits", "time_s" [n] from begin, and a list [n] per channel, null
    where not sampled}; without rows `time_s` is empty."""
    record = one.record
    key = record["site"], record["hammer"]
    onset = instant.parse(record["onset"])
    cleared = None if record["cleared"] is None else instant.parse(record["cleared"])
    begin = onset - AROUND
    end = min((now if cleared is None else cleared) + AROUND, begin + LONGEST)
    rows = _thinned(rows_between(place, recordings, key, begin, end))
    seen = scene.hammers.get(key)
    columns = {name: _listed(rows.columns[name]) for name in _SHOWN if name in rows.columns}
    return {
        "begin_ms": begin // 1_000_000,
        "onset_ms": onset // 1_000_000,
        "cleared_ms": None if cleared is None else cleared // 1_000_000,
        "oil_limit_c": None if seen is None else seen.limits.oil_c,
        "level_bar": record["evidence"].get("loaded_level_bar"),
        "time_s": ((rows.time_ns - begin) / SECOND).round(3).tolist(),
        **columns,
    }


def _listed(column: Any) -> list[float | None]:
    return [None if value != value else round(value, 2) for value in column.tolist()]


def _thinned(rows: Rows) -> Rows:
    """Where there are too many rows to draw: of each step of them the lowest and the highest pressure."""
    step = -(-len(rows) * 2 // POINTS)
    if step <= 2 or "pressure_bar" not in rows.columns:
        return rows if step <= 2 else rows[::step]
    pressure = rows.columns["pressure_bar"]
    whole = len(rows) // step * step
    blocks = pressure[:whole].reshape(-1, step)
    first = np.arange(len(blocks)) * step
    low = first + np.argmin(np.where(np.isnan(blocks), np.inf, blocks), axis=1)
    high = first + np.argmax(np.where(np.isnan(blocks), -np.inf, blocks), axis=1)
    return rows[np.unique(np.concatenate([low, high]))]
