"""Chart panels for misuse faults: the channel that each fault depends on, with its limits."""

import numpy as np

from strikewatch.core.batch import Floats, Ints, Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND
from strikewatch.detectors.registry import DETECTOR_OF, FAULTS
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.review.charts.minute import Panel


def series(rows: Rows, name: str) -> tuple[Ints, Floats]:
    """Return a channel's values within its physical range with their instants, both [n]."""
    values, channel = rows.columns.get(name), CHANNELS[name]
    if values is None:
        return np.empty(0, np.int64), np.empty(0)
    known = (values >= channel.low) & (values <= channel.high)
    return rows.time_ns[known], values[known]


def panel(fault: str, rows: Rows, settings: HammerSettings) -> Panel | None:
    """Return the panel of a fault; None for faults that the chart always shows."""
    trace = FAULTS[fault].trace
    if trace is None:
        return None
    found = [(at, trace.transform(values)) for at, values in (series(rows, name) for name in trace.channels)]
    own = settings[DETECTOR_OF[fault]]
    return Panel(trace.title, found, list(trace.limits(own)), CHANNELS[trace.channels[0]].hold_ns / SECOND)
