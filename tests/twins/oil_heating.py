"""oil_heating: the line through the last 5 min of oil reaches the limit soon, read slowly."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum
from statistics import fmean
from typing import Final

from scipy import stats

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from tests.twins.knowledge import Record, Row, admitted, both, firing, samples
from tests.twins.whose import operator_at

GRID: Final = 10 * SECOND
WINDOW: Final = 30
NEEDED: Final = 15
EDGE: Final = 1e-6
"""Nearer to a limit than this, relatively, the last digits decide: no stream for comparing."""


class OnTheEdgeError(Exception):
    """The decision is too close to call in floating point."""


@dataclass(frozen=True)
class Line:
    """At the end of an interval: the line's value there, °C, its slope, °C a second, in how many seconds it reaches
    the limit (None: not), and whether all of the 95 % prediction band rises up to `ahead_s` on."""

    now: float
    slope: float
    reach_s: float | None
    rising: bool


def beyond(value: float, limit: float) -> bool:
    if abs(value - limit) <= EDGE * max(abs(value), abs(limit)):
        raise OnTheEdgeError
    return value > limit


def fitted(means: Sequence[tuple[float, float]], limit: float, ahead_s: float) -> Line:
    """The line by least squares through (seconds from now, °C)."""
    n = len(means)
    mid, level = fsum(x for x, _ in means) / n, fsum(y for _, y in means) / n
    spread = fsum((x - mid) ** 2 for x, _ in means)
    slope = fsum((x - mid) * (y - level) for x, y in means) / spread
    now = level - slope * mid
    if slope < 1e-9 or not beyond(limit, now):
        return Line(now, slope, None, False)
    # The lower edge is line - t s sqrt(1 + 1/n + d²/Sxx), d from mid: flattest at the far end.
    s = (fsum((y - level - slope * (x - mid)) ** 2 for x, y in means) / (n - 2)) ** 0.5
    far = ahead_s - mid
    falls = stats.t.ppf(0.975, n - 2) * s * far / spread / (1 + 1 / n + far**2 / spread) ** 0.5
    return Line(now, slope, (limit - now) / slope, beyond(slope, falls))


def find(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    limit_c: float = 80.0,
    ahead_s: float = 600.0,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
) -> list[Record]:
    rows = admitted(rows)
    bouts = firing(rows, on_bar=on_bar, off_bar=off_bar)
    sampled = samples(rows, "oil_c")
    if not sampled:
        return []
    means: dict[int, float] = {}
    for bin_ in {at // GRID for at, _ in sampled}:
        means[bin_] = fmean(value for at, value in sampled if at // GRID == bin_)
    records: list[Record] = []
    onset: int | None = None
    evidence: dict[str, float] = {}
    for bin_ in range(sampled[0][0] // GRID, end // GRID):
        at = (bin_ + 1) * GRID
        window = [
            ((k * GRID + GRID // 2 - at) / SECOND, means[k])
            for k in range(bin_ - WINDOW + 1, bin_ + 1)
            if k in means
        ]
        fired = bool(both(bouts, [(at - GRID, at)]))
        stands = False
        if len(window) >= NEEDED and (fired or onset is not None):
            line = fitted(window, limit_c, ahead_s)
            if line.reach_s is not None:
                # Once given, it stands until the line needs half as long again.
                allowed = ahead_s if onset is None else ahead_s * 1.5
                stands = line.rising and not beyond(line.reach_s, allowed)
            evidence = {"oil_c": line.now, "slope_c_per_min": line.slope * 60}
        if stands and onset is None:
            onset = at
        elif not stands and onset is not None:
            records.append(Record("oil_heating", onset, at, "low", operator_at(events, onset)))
            onset = None
    if onset is not None:
        records.append(Record("oil_heating", onset, None, "low", operator_at(events, onset), evidence))
    return records
