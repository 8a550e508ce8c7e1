"""(a) All detectors over columns in memory, against a plain numpy sum over the same columns: the memory floor.

The sum is limited by memory and the detectors by the core, so other programs on the host change one more than the
other: each is shown alone, too. And against four rules of the contract as a plain Python loop and as a pandas groupby.
"""

from collections.abc import Callable

import pandas as pd

from strikewatch.core.batch import Batch, Key, Portion, Rows
from strikewatch.engine.pipeline import HammerSettings, Pipeline
from tests.long.benchmarks import data
from tests.long.benchmarks.table import MANY_TRIALS, Line, measure

ROWS = 8_000_000
PIECE = 131_072
PLAIN_ROWS = 1_000_000
"""Enough that what is done once for a hammer (its settings, its first bouts) does not decide the ratio."""


def detect(rows: Rows, settings_of: Callable[[Key], HammerSettings] = data.settings_of) -> None:
    pipeline = Pipeline(settings_of)
    for start in range(0, len(rows), PIECE):
        piece = rows[start : start + PIECE]
        pipeline.commit(pipeline.step(Batch([Portion(data.KEY, piece, int(piece.time_ns[-1]))])))


def sum_columns(rows: Rows) -> None:
    rows.time_ns.sum()
    for column in rows.columns.values():
        column.sum()


def plain_python_rules(rows: Rows) -> None:
    """Run four rules sample by sample in plain Python."""
    firing_s = hot_s = blank_s = worked_s = 0.0
    last = None
    alerts = []
    columns = rows.columns
    for at, active, pressure, oil in zip(
        rows.time_ns.tolist(),
        columns["active"].tolist(),
        columns["pressure_bar"].tolist(),
        columns["oil_c"].tolist(),
        strict=True,
    ):
        step_s = 0.0 if last is None else (at - last) / 1e9
        last = at
        worked_s += step_s
        firing_s = firing_s + step_s if active else 0.0
        hot_s = hot_s + step_s if oil > 80.0 else 0.0
        blank_s = blank_s + step_s if active and pressure < 100.0 else 0.0
        for name, value, limit in (
            ("same_spot", firing_s, 15.0),
            ("hot_oil", hot_s, 5.0),
            ("blank_firing", blank_s, 1.0),
            ("grease_overdue", worked_s, 7200.0),
        ):
            if value - step_s < limit <= value:
                alerts.append((name, at))


def pandas_rules(rows: Rows) -> None:
    """Run the same rules with pandas groupby."""
    frame = pd.DataFrame({"t": rows.time_ns, **rows.columns})
    frame["step_s"] = frame["t"].diff().fillna(0) / 1e9
    for condition, limit in (
        (frame["active"] > 0, 15.0),
        (frame["oil_c"] > 80.0, 5.0),
        ((frame["active"] > 0) & (frame["pressure_bar"] < 100.0), 1.0),
        (frame["t"] > 0, 7200.0),
    ):
        runs = (condition != condition.shift()).cumsum()
        sums = frame["step_s"].where(condition, 0.0).groupby(runs).cumsum()
        _ = frame["t"][sums >= limit]


def lines() -> list[Line]:
    found = []
    feeds = (("bare feed", data.bare(ROWS), ">= 0.25"), ("with pose and engine", data.rich(ROWS), ">= 0.30"))
    for name, rows, goal in feeds:
        a, b = measure(
            lambda rows=rows: detect(rows),  # type: ignore[misc]
            lambda rows=rows: sum_columns(rows),  # type: ignore[misc]
            trials=MANY_TRIALS,
        )
        what = f"all detectors, {name}: {ROWS / a.cpu_s / 1e6:.0f} M rows/s (sum {ROWS / b.cpu_s / 1e6:.0f})"
        found.append(Line(what, "sum / detectors", b.cpu_over(a), goal, 1e6 * a.cpu_s / ROWS))
        found.append(a.alone(f"detectors alone, {name}", ROWS))
        found.append(b.alone(f"sum alone, {name}", ROWS, reference=True))
    short = data.bare(PLAIN_ROWS)
    rivals = (("plain Python loop", plain_python_rules, ">= 60"), ("pandas groupby", pandas_rules, ">= 16"))
    for name, rival, goal in rivals:
        a, b = measure(lambda: detect(short), lambda rival=rival: rival(short))  # type: ignore[misc]
        what = f"against {name}: {PLAIN_ROWS / b.cpu_s / 1e6:.1f} M rows/s"
        found.append(Line(what, "times as fast", b.cpu_over(a), goal))
    return found
