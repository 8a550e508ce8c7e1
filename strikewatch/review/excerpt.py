"""Extract the data of a highlight's chart: the samples around it, and the state of the detectors over them."""

from collections.abc import Iterable
from typing import Final

import numpy as np

from strikewatch.core.batch import NO_ROWS, Batch, Floats, Ints, Key, Portion, Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors import hot_oil, same_spot
from strikewatch.detectors.registry import DETECTOR_OF, FAULTS
from strikewatch.engine.pipeline import HammerSettings, Pipeline
from strikewatch.review.charts.over_time import Excerpt, Mark, Panel, Timeline
from strikewatch.review.data.samples import SampleSource


def channel_values(rows: Rows, name: str) -> tuple[Ints, Floats]:
    """Return a channel's values within its physical range with their instants, both [n]."""
    values, channel = rows.columns.get(name), CHANNELS[name]
    if values is None:
        return np.empty(0, np.int64), np.empty(0)
    known = (values >= channel.low) & (values <= channel.high)
    return rows.time_ns[known], values[known]


def channel_panel(fault: str, rows: Rows, settings: HammerSettings) -> Panel | None:
    """Return the panel of a fault; None for faults that the chart always shows."""
    trace = FAULTS[fault].trace
    if trace is None:
        return None
    found = [
        (at, trace.transform(values))
        for at, values in (channel_values(rows, name) for name in trace.channels)
    ]
    detector_settings = settings[DETECTOR_OF[fault]]
    return Panel(
        trace.title,
        found,
        list(trace.limits(detector_settings)),
        CHANNELS[trace.channels[0]].hold_ns / SECOND,
    )


STEPS: Final = 160
"""Number of instants in a chart at which the detectors' state is read."""
RUN_UP: Final = 30 * SECOND
"""Time before the start of a chart that is also run through the detectors, so that a spot begun there is known."""
MIN_SILENCE: Final = 60 * SECOND
"""Time without a row from which a timeline shows silence."""
DEFAULT_SPAN_S: Final = (40, 100)
"""Seconds shown before the onset of a fault, and at most after it, unless it builds up slowly."""
SUSPECTED: Final = tuple(name for name, fault in FAULTS.items() if fault.exposure == "judged")
"""Faults that are suspected from the pressure, and hatched in charts of other faults."""


def span(fault: str, onset: Instant, cleared: Instant | None) -> tuple[Instant, Instant]:
    """Return the time span that a fault's chart shows."""
    before_s, most_s = FAULTS[fault].picture_s or DEFAULT_SPAN_S
    over = onset + most_s * SECOND if cleared is None else cleared + 8 * SECOND
    return onset - before_s * SECOND, min(max(over, onset + 20 * SECOND), onset + most_s * SECOND)


def fault_excerpt(
    recorded: SampleSource,
    key: Key,
    settings: HammerSettings,
    name: str,
    fault: str,
    onset: Instant,
    cleared: Instant | None,
    suspected: Iterable[tuple[Instant, Instant]] = (),
    causes: Iterable[str] = (),
) -> Excerpt | None:
    """Return the chart data around a fault of a hammer; None if no samples are kept for that time.

    `suspected`: intervals of suspected blank firing. `causes`: faults that were merged into the alert.
    """
    begin, end = span(fault, onset, cleared)
    rows = recorded.rows(key, begin - RUN_UP, end)
    if not len(rows):
        return None
    fired, instants, spot_s = _run_detectors(rows, key, settings, begin, end)
    spot, oil = settings[same_spot.DETECTOR.name], settings[hot_oil.DETECTOR.name]
    assert isinstance(spot, same_spot.Settings)
    assert isinstance(oil, hot_oil.Settings)
    shown = rows[rows.time_ns >= begin]
    return Excerpt(
        begin,
        end,
        name,
        onset,
        cleared,
        fired=fired,
        pressure_bar=channel_values(shown, "pressure_bar"),
        loaded_bar=recorded.levels(key, begin, end),
        oil_c=channel_values(shown, "oil_c"),
        spot_s=(instants[:0], spot_s[:0]) if FAULTS[fault].picture_s else (instants, spot_s),
        limit_c=oil.limit_c,
        limit_s=spot.limit_s,
        suspected=[(max(a, begin), min(b, end)) for a, b in suspected if a < end and b > begin],
        panels=[panel for cause in causes if (panel := channel_panel(cause, shown, settings))],
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
    oil = settings[hot_oil.DETECTOR.name]
    assert isinstance(oil, hot_oil.Settings)
    row_times = np.concatenate([[begin], rows.time_ns, [end]])
    gaps = np.flatnonzero(np.diff(row_times) > MIN_SILENCE)
    fired = [(start, stop) for start, stop, _ in recorded.levels(key, begin, end)]
    silent = [(int(row_times[i]), int(row_times[i + 1])) for i in gaps]
    return Timeline(begin, end, fired, channel_values(rows, "oil_c"), oil.limit_c, list(marks), silent)


def _run_detectors(
    rows: Rows, key: Key, settings: HammerSettings, begin: Instant, end: Instant
) -> tuple[list[tuple[Instant, Instant]], Ints, Floats]:
    """Return the bouts, and the firing time in the current spot at STEPS instants [STEPS], s; NaN between spots."""
    pipeline = Pipeline(lambda _: settings)
    pipeline.declare_channels(key, [name for name in rows.columns if np.isfinite(rows.columns[name]).any()])
    instants = np.linspace(begin, end, STEPS).astype(np.int64)
    edges = np.searchsorted(rows.time_ns, instants, side="right")
    fired, spot_s, first = [], np.full(STEPS, np.nan), 0
    for i, (end, last) in enumerate(zip(instants.tolist(), edges.tolist(), strict=True)):
        if not last:
            continue  # no row yet: the detectors have not started
        portion = Portion(key, rows[first:last] if last > first else NO_ROWS, end)
        outcome = pipeline.step(Batch([portion]), report=i == STEPS - 1)
        pipeline.commit(outcome)
        fired += [(bout.start, bout.end) for bout, _, _ in outcome.bouts()]
        spot = outcome.state[0][same_spot.DETECTOR.name]
        if spot["open"]:
            spot_s[i] = spot["fired"] / SECOND
        first = last
    return [(max(a, begin), b) for a, b in fired if b > begin], instants, spot_s
