"""(j) Every detector beside the others, and the whole set against the first four, on the same rows in one run."""

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final
from unittest.mock import patch

from strikewatch.core.batch import Key, Rows
from strikewatch.detectors import hot_oil, same_spot
from strikewatch.detectors.base import Detector
from strikewatch.detectors.blank_firing import blank_firing
from strikewatch.detectors.greasing import manual_greasing
from strikewatch.detectors.registry import DETECTORS
from strikewatch.engine.pipeline import HammerSettings
from tests.long.benchmarks import data
from tests.long.benchmarks.columns import detect
from tests.long.benchmarks.table import Line, median_s

ROWS: Final = 4_000_000
FIRST: Final = (same_spot.DETECTOR, hot_oil.DETECTOR, blank_firing.DETECTOR, manual_greasing.DETECTOR)
SettingsOf = Callable[[Key], HammerSettings]


def only(detectors: tuple[Detector, ...], rows: Rows, settings_of: SettingsOf) -> None:
    with patch("strikewatch.engine.pipeline.DETECTORS", detectors):
        detect(rows, settings_of)


def _set(feed: str, rows: Rows, settings_of: SettingsOf) -> Line:
    a, b = median_s(
        lambda: only(DETECTORS, rows, settings_of), lambda: only(FIRST, rows, settings_of), trials=3
    )
    n = len(rows) / 1e6
    what = f"all {len(DETECTORS)}, {feed}: {n / a:.1f} M rows/s (the first four {n / b:.1f})"
    return Line(what, "all / the first four", a / b, "<= 3")


def _one_by_one(feed: str, rows: Rows, settings_of: SettingsOf) -> list[Line]:
    """Time each detector's kernel per row, in one pass over the feed."""
    took: Counter[str] = Counter()

    def timed(detector: Detector) -> Detector:
        def run(*arguments: Any) -> int:
            start = time.perf_counter()
            n = detector.run(*arguments)
            took[detector.name] += time.perf_counter() - start
            return n

        return replace(detector, run=run)

    with patch.object(Detector, "compile", lambda _self: None):
        measured = tuple(timed(one) for one in DETECTORS)
        only(measured, rows, settings_of)
        took.clear()
        only(measured, rows, settings_of)
    (_, dearest), *_ = took.most_common(1)
    return [
        Line(f"{name}, {feed}: {1e9 * s / len(rows):.1f} ns a row", "of the dearest", s / dearest, "")
        for name, s in took.most_common()
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
