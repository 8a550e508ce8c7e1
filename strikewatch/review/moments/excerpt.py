"""Extract the data of a highlight's chart: the samples around it, and the state of the detectors over them."""

from collections.abc import Iterable
from typing import Final

import numpy as np

from strikewatch.core.batch import NO_ROWS, Batch, Floats, Ints, Key, Portion, Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors import hot_oil, same_spot
from strikewatch.detectors.registry import FAULTS
from strikewatch.engine.pipeline import HammerSettings, Pipeline
from strikewatch.review.charts.minute import Minute
from strikewatch.review.charts.shift_timeline import Mark, Timeline
from strikewatch.review.data.samples import SampleSource
from strikewatch.review.moments import channel_panels
from strikewatch.review.moments.channel_panels import series

STEPS: Final = 160
"""Number of instants in a chart at which the detectors' state is read."""
RUN_UP: Final = 30 * SECOND
"""Time before the start of a chart that is also run through the detectors, so that a spot begun there is known."""
MIN_SILENCE: Final = 60 * SECOND
"""Time without a row from which a timeline shows silence."""
DEFAULT_SPAN: Final = (40, 100)
"""Seconds shown before the onset of a fault, and at most after it, unless it builds up slowly."""


def span(fault: str, onset: Instant, cleared: Instant | None) -> tuple[Instant, Instant]:
    """Return the time span that a fault's chart shows."""
    before_s, most_s = FAULTS[fault].picture_s or DEFAULT_SPAN
    over = onset + most_s * SECOND if cleared is None else cleared + 8 * SECOND
    return onset - before_s * SECOND, min(max(over, onset + 20 * SECOND), onset + most_s * SECOND)


def minute(
    recorded: SampleSource,
    key: Key,
    settings: HammerSettings,
    name: str,
    fault: str,
    onset: Instant,
    cleared: Instant | None,
    suspected: Iterable[tuple[Instant, Instant]] = (),
    causes: Iterable[str] = (),
) -> Minute | None:
    """Return the chart data around a fault of a hammer; None if no samples are kept for that time.

    `suspected`: intervals of suspected blank firing. `causes`: faults that were merged into the alert.
    """
    begin, end = span(fault, onset, cleared)
    rows = recorded.rows(key, begin - RUN_UP, end)
    if not len(rows):
        return None
    fired, looks, spot_s = _run_detectors(rows, key, settings, begin, end)
    spot, oil = settings["same_spot"], settings["hot_oil"]
    assert isinstance(spot, same_spot.Settings)
    assert isinstance(oil, hot_oil.Settings)
    shown = rows[rows.time_ns >= begin]
    return Minute(
        begin,
        end,
        name,
        onset,
        cleared,
        fired=fired,
        pressure_bar=series(shown, "pressure_bar"),
        loaded_bar=recorded.levels(key, begin, end),
        oil_c=series(shown, "oil_c"),
        spot_s=(looks[:0], spot_s[:0]) if FAULTS[fault].picture_s else (looks, spot_s),
        limit_c=oil.limit_c,
        limit_s=spot.limit_s,
        suspected=[(max(a, begin), min(b, end)) for a, b in suspected if a < end and b > begin],
        panels=[one for cause in causes if (one := channel_panels.panel(cause, shown, settings))],
    )


def timeline(
    recorded: SampleSource,
    key: Key,
    settings: HammerSettings,
    begin: Instant,
    end: Instant,
    marks: Iterable[Mark] = (),
) -> Timeline | None:
    """Return the timeline of some hours of a hammer; None if no samples are kept for that time."""
    rows = recorded.rows(key, begin, end)
    if not len(rows):
        return None
    oil = settings["hot_oil"]
    assert isinstance(oil, hot_oil.Settings)
    heard = np.concatenate([[begin], rows.time_ns, [end]])
    gaps = np.flatnonzero(np.diff(heard) > MIN_SILENCE)
    fired = [(start, stop) for start, stop, _ in recorded.levels(key, begin, end)]
    silent = [(int(heard[i]), int(heard[i + 1])) for i in gaps]
    return Timeline(begin, end, fired, series(rows, "oil_c"), oil.limit_c, list(marks), silent)


def _run_detectors(
    rows: Rows, key: Key, settings: HammerSettings, begin: Instant, end: Instant
) -> tuple[list[tuple[Instant, Instant]], Ints, Floats]:
    """Bouts, and how long the present spot has been fired in at each of STEPS instants, NaN between spots."""
    pipeline = Pipeline(lambda _: settings)
    pipeline.declare_channels(key, [name for name in rows.columns if np.isfinite(rows.columns[name]).any()])
    looks = np.linspace(begin, end, STEPS).astype(np.int64)
    edges = np.searchsorted(rows.time_ns, looks, side="right")
    fired, spot_s, first = [], np.full(STEPS, np.nan), 0
    for i, (upto, last) in enumerate(zip(looks.tolist(), edges.tolist(), strict=True)):
        if not last:
            continue  # no row yet: the detectors have not started
        portion = Portion(key, rows[first:last] if last > first else NO_ROWS, upto)
        outcome = pipeline.step(Batch([portion]), report=i == STEPS - 1)
        pipeline.commit(outcome)
        fired += [(bout.start, bout.end) for bout, _, _ in outcome.bouts()]
        spot = outcome.state[0]["same_spot"]
        if spot["open"]:
            spot_s[i] = spot["fired"] / SECOND
        first = last
    return [(max(a, begin), b) for a, b in fired if b > begin], looks, spot_s
