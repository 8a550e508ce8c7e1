"""(j) Every detector beside the others, and the whole set against the first four, on the same rows in one run."""

import time
from collections.abc import Callable
from typing import Final

import numba

from strikewatch.core.batch import Batch, Key, Portion, Rows
from strikewatch.detectors import hot_oil, same_spot
from strikewatch.detectors.base import Detector
from strikewatch.detectors.blank_firing import blank_firing
from strikewatch.detectors.greasing import manual_greasing
from strikewatch.detectors.registry import DETECTORS
from strikewatch.engine.compiled_step import CompiledStep
from strikewatch.engine.pipeline import HammerSettings, Pipeline
from tests.long.benchmarks import data
from tests.long.benchmarks.columns import PIECE
from tests.long.benchmarks.table import Line

ROWS: Final = 4_000_000
FIRST: Final = (same_spot.DETECTOR, hot_oil.DETECTOR, blank_firing.DETECTOR, manual_greasing.DETECTOR)
SettingsOf = Callable[[Key], HammerSettings]


@numba.cfunc("void(int64)")
def _skip(address: int) -> None:
    """Stand in for a detector that is not measured."""


def cost_s(detectors: tuple[Detector, ...], rows: Rows, settings_of: SettingsOf) -> float:
    """Return the least CPU time of three passes over the rows with these detectors only, s."""
    least = float("inf")
    for _ in range(3):
        compiled = CompiledStep()
        for k, detector in enumerate(DETECTORS):
            if detector not in detectors:
                compiled._step["run"][k] = _skip.address
        pipeline = Pipeline(settings_of, compiled)
        start = time.thread_time()
        for first in range(0, len(rows), PIECE):
            piece = rows[first : first + PIECE]
            pipeline.commit(pipeline.step(Batch([Portion(data.KEY, piece, int(piece.time_ns[-1]))])))
        least = min(least, time.thread_time() - start)
    return least


def _set(feed: str, rows: Rows, settings_of: SettingsOf) -> Line:
    a, b = cost_s(DETECTORS, rows, settings_of), cost_s(FIRST, rows, settings_of)
    n = len(rows) / 1e6
    what = f"all {len(DETECTORS)}, {feed}: {n / a:.1f} M rows/s (the first four {n / b:.1f})"
    return Line(what, "all / the first four", a / b, "<= 3")


def _one_by_one(feed: str, rows: Rows, settings_of: SettingsOf) -> list[Line]:
    """Measure what each detector adds to the digests and the runs of firing, per row."""
    base = cost_s((), rows, settings_of)
    took = {"digests and runs": base}
    took |= {one.name: cost_s((one,), rows, settings_of) - base for one in DETECTORS}
    dearest = max(took.values())
    return [
        Line(f"{name}, {feed}: {1e9 * s / len(rows):.2f} ns a row", "of the dearest", s / dearest, "")
        for name, s in sorted(took.items(), key=lambda item: -item[1])
    ]


def lines() -> list[Line]:
    feeds = (
        ("bare feed", data.bare(ROWS), data.settings_of),
        ("every sensor", data.fitted(ROWS), data.fitted_settings()),
        ("500 Hz", data.fast(ROWS), data.settings_of),
    )
    found = [_set(*feed) for feed in feeds[:2]]
    for feed in feeds:
        found += _one_by_one(*feed)
    return found
