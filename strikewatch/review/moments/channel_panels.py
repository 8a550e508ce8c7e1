"""What was wrong about how the hammer was held or run, as traces for a moment's picture: of each fault the channel that
it goes by, against its limits."""

import numpy as np

from strikewatch.core.batch import Floats, Ints, Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND
from strikewatch.detectors.registry import DETECTOR_OF, FAULTS
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.review.charts.minute import Panel


def series(rows: Rows, name: str) -> tuple[Ints, Floats]:
    """A channel's possible values with their instants, both [n]."""
    values, channel = rows.columns.get(name), CHANNELS[name]
    if values is None:
        return np.empty(0, np.int64), np.empty(0)
    known = (values >= channel.low) & (values <= channel.high)
    return rows.time_ns[known], values[known]


def panel(fault: str, rows: Rows, settings: HammerSettings) -> Panel | None:
    """The trace that matters for a fault; None for those that the picture shows anyway."""
    trace = FAULTS[fault].trace
    if trace is None:
        return None
    found = [(at, trace.transform(values)) for at, values in (series(rows, name) for name in trace.channels)]
    own = settings[DETECTOR_OF[fault]]
    return Panel(trace.title, found, list(trace.limits(own)), CHANNELS[trace.channels[0]].hold_ns / SECOND)
