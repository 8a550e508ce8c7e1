"""What was going on around a moment, for its picture: its samples run through the very same detectors."""

from collections.abc import Iterable
from typing import Final

import numpy as np

from strikewatch.core.batch import NO_ROWS, Batch, Floats, Ints, Key, Portion, Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors import hot_oil, same_spot
from strikewatch.detectors.registry import FAULTS
from strikewatch.engine.pipeline import HammerSettings, Pipeline
from strikewatch.review.charts.minute import Minute
from strikewatch.review.charts.shift_timeline import Mark, Strip
from strikewatch.review.data.samples import Recorded
from strikewatch.review.moments import channel_panels
from strikewatch.review.moments.channel_panels import series

LOOKS: Final = 160
"""How often, in a picture, the detectors' state is looked at."""
RUN_UP: Final = 30 * SECOND
"""So much before a picture begins is run through, so that a spot begun there is known."""
SILENT: Final = 60 * SECOND
"""So long without a row is shown as silence in a strip."""
QUICK: Final = (40, 100)
"""Seconds shown before the onset of a fault, and at most after it, unless it builds up slowly."""


def span(fault: str, onset: Instant, cleared: Instant | None) -> tuple[Instant, Instant]:
    """What of time a picture of a fault shows."""
    before_s, most_s = FAULTS[fault].picture_s or QUICK
    over = onset + most_s * SECOND if cleared is None else cleared + 8 * SECOND
    return onset - before_s * SECOND, min(max(over, onset + 20 * SECOND), onset + most_s * SECOND)


def minute(
    recorded: Recorded,
    key: Key,
    settings: HammerSettings,
    name: str,
    fault: str,
    onset: Instant,
    cleared: Instant | None,
    suspected: Iterable[tuple[Instant, Instant]] = (),
    causes: Iterable[str] = (),
) -> Minute | None:
    """The time around a fault of a hammer; None where no samples are kept of it.

    `suspected`: where blank blows are. `causes`: what came together in it.
    """
    begin, end = span(fault, onset, cleared)
    rows = recorded.rows(key, begin - RUN_UP, end)
    if not len(rows):
        return None
    fired, looks, spot_s = _look(rows, key, settings, begin, end)
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


def strip(
    recorded: Recorded,
    key: Key,
    settings: HammerSettings,
    begin: Instant,
    end: Instant,
    marks: Iterable[Mark] = (),
) -> Strip | None:
    """Hours of a hammer; None where no samples are kept of them."""
    rows = recorded.rows(key, begin, end)
    if not len(rows):
        return None
    oil = settings["hot_oil"]
    assert isinstance(oil, hot_oil.Settings)
    heard = np.concatenate([[begin], rows.time_ns, [end]])
    gaps = np.flatnonzero(np.diff(heard) > SILENT)
    fired = [(start, stop) for start, stop, _ in recorded.levels(key, begin, end)]
    silent = [(int(heard[i]), int(heard[i + 1])) for i in gaps]
    return Strip(begin, end, fired, series(rows, "oil_c"), oil.limit_c, list(marks), silent)


def _look(
    rows: Rows, key: Key, settings: HammerSettings, begin: Instant, end: Instant
) -> tuple[list[tuple[Instant, Instant]], Ints, Floats]:
    """Bouts, and how long the present spot has been fired in at each of LOOKS instants, NaN between spots."""
    pipeline = Pipeline(lambda _: settings)
    pipeline.declare_channels(key, [name for name in rows.columns if np.isfinite(rows.columns[name]).any()])
    looks = np.linspace(begin, end, LOOKS).astype(np.int64)
    edges = np.searchsorted(rows.time_ns, looks, side="right")
    fired, spot_s, first = [], np.full(LOOKS, np.nan), 0
    for i, (upto, last) in enumerate(zip(looks.tolist(), edges.tolist(), strict=True)):
        if not last:
            continue  # nothing heard yet: time has nothing to pass for
        portion = Portion(key, rows[first:last] if last > first else NO_ROWS, upto)
        outcome = pipeline.step(Batch([portion]), report=i == LOOKS - 1)
        pipeline.commit(outcome)
        fired += [(bout.start, bout.end) for bout, _, _ in outcome.bouts()]
        spot = outcome.state[0]["same_spot"]
        if spot["open"]:
            spot_s[i] = spot["fired"] / SECOND
        first = last
    return [(max(a, begin), b) for a, b in fired if b > begin], looks, spot_s
