"""What the benchmarks run on: recorded shifts of the invented site, made long."""

from collections.abc import Callable
from pathlib import Path

import numpy as np

from strikewatch.core.batch import Floats, Ints, Key, Rows
from strikewatch.demo.shifts import SETTINGS
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.settings.faults import Faults
from strikewatch.settings.tree import load
from strikewatch.sources.recordings import open_shifts
from tests.physics.feeds import feed
from tests.physics.work import shift

SHIFTS = Path(__file__).parents[3] / "replay_data"
SHIFT = SHIFTS / "hot-bench"
INSTRUMENTED = SHIFTS / "full-bench"
KEY: Key = ("fennick-hollow", "HB-01")
BOTH: tuple[Key, ...] = (KEY, ("fennick-hollow", "HB-02"))
"""One operator who lingers, and one who does not grease."""
_SETTINGS = Faults().by_detector()


def settings_of(_key: Key) -> HammerSettings:
    return _SETTINGS


def bare(n: int, key: Key = KEY, folder: Path = SHIFT) -> Rows:
    """n rows at 10 Hz of `active`, `pressure_bar` and `oil_c`, every one sampled at every row."""
    rows = _tiled(n, key, folder)
    oil = rows.columns["oil_c"]
    seen = np.maximum.accumulate(np.where(np.isnan(oil), 0, np.arange(n)))
    columns = {name: rows.columns[name] for name in ("active", "pressure_bar")}
    return Rows(rows.time_ns, {**columns, "oil_c": np.nan_to_num(oil[seen], nan=40.0)})


def rich(n: int, key: Key = KEY) -> Rows:
    """Return n rows at 10 Hz as recorded: engine speed and pose every second, oil every five."""
    return _tiled(n, key)


def fitted(n: int) -> Rows:
    """Return n rows at 10 Hz of a carrier with every sensor, as recorded."""
    return _tiled(n, KEY, INSTRUMENTED)


def fitted_settings() -> Callable[[Key], HammerSettings]:
    """Return settings with every limit of misuse, so that every detector is active."""
    return load(INSTRUMENTED / SETTINGS).of_hammer


def fast(n: int) -> Rows:
    """n rows at 500 Hz of a physical breaker: `active`, `pressure_bar`, oil every five seconds."""
    table = feed(shift(3000, 10.0), "500Hz", engine_rpm=False)
    times = -(-n // len(table))
    columns: dict[str, Floats] = {
        name: np.tile(table[name].to_numpy(dtype=float), times)[:n]
        for name in ("active", "pressure_bar", "oil_c")
    }
    time_ns: Ints = int(table["time"].iloc[0].value) + np.arange(n, dtype=np.int64) * 2_000_000
    return Rows(time_ns, columns)


def _tiled(n: int, key: Key, folder: Path = SHIFT) -> Rows:
    (shift,) = open_shifts(folder)
    one = Rows.join([rows for one, rows in shift.pieces() if one == key])
    times = -(-n // len(one))
    columns: dict[str, Floats] = {
        name: np.tile(column, times)[:n].copy() for name, column in one.columns.items()
    }
    time_ns: Ints = one.time_ns[0] + np.arange(n, dtype=np.int64) * 100_000_000
    return Rows(time_ns, columns)
