"""Slow twins of hot_oil, cold_oil and oil_heating."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum
from statistics import fmean
from typing import Final

from scipy import stats

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins.signals import (
    Record,
    Row,
    Span,
    accepted,
    firing_spans,
    held_values,
    instant_of_length,
    intersection,
    length_within,
    operator_at,
    samples,
)

FOREVER = 2**62


def hot_spans(
    rows: Sequence[Row], *, hot_c: float = 80.0, cool_c: float = 78.0, on_delay_s: float = 5.0
) -> list[Span]:
    """Return the spans from the instant at which the oil becomes hot to the instant at which it is cool again."""
    delay = seconds(on_delay_s)
    hot: list[Span] = []
    hot_at: int | None = None
    above_since: int | None = None
    above_until: int | None = None
    for piece in held_values(rows, "oil_c"):
        if hot_at is not None:
            if piece.value <= cool_c:
                hot.append((hot_at, piece.start))
                hot_at = above_since = None
            continue
        if piece.value <= hot_c:
            above_since = None
            continue
        if above_since is None or piece.start != above_until:
            above_since = piece.start
        above_until = piece.end
        if above_since + delay < piece.end:
            hot_at = above_since + delay
    if hot_at is not None:
        hot.append((hot_at, FOREVER))
    return hot


def find_hot_oil(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    hot_c: float = 80.0,
    cool_c: float = 78.0,
    high_c: float = 85.0,
    on_delay_s: float = 5.0,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
) -> list[Record]:
    rows = accepted(rows)
    bouts = firing_spans(rows, on_bar=on_bar, off_bar=off_bar)
    records = []
    for hot in hot_spans(rows, hot_c=hot_c, cool_c=cool_c, on_delay_s=on_delay_s):
        worked = intersection(bouts, [hot])
        if not worked or worked[0][0] > end:
            continue
        onset = worked[0][0]
        peak = max(
            piece.value
            for piece in held_values(rows, "oil_c")
            if piece.start < hot[1] and piece.end > hot[0] and piece.start <= end
        )
        records.append(
            Record(
                fault="hot_oil",
                onset=onset,
                cleared=hot[1] if hot[1] <= end else None,
                priority="high" if peak > high_c else "medium",
                operator=operator_at(events, onset),
                evidence={"peak_c": peak, "firing_s": length_within(worked, hot[0], end) / SECOND},
            )
        )
    return records


def find_cold_oil(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    cold_limit_c: float = 20.0,
    cold_firing_s: float = 10.0,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
) -> list[Record]:
    rows = accepted(rows)
    bouts = firing_spans(rows, on_bar=on_bar, off_bar=off_bar)
    cold_spells: list[tuple[list[Span], int | None]] = []
    cold: list[Span] = []
    for piece in held_values(rows, "oil_c"):
        if piece.value < cold_limit_c:
            cold.append((piece.start, piece.end))
        elif cold:
            cold_spells.append((cold, piece.start))
            cold = []
    if cold:
        cold_spells.append((cold, None))

    records = []
    for cold, cleared in cold_spells:
        onset = instant_of_length(intersection(bouts, cold), 0, seconds(cold_firing_s))
        if onset is not None and onset <= end:
            records.append(Record("cold_oil", onset, cleared, "low", operator_at(events, onset)))
    return records


GRID: Final = 10 * SECOND
WINDOW_BINS: Final = 30
MIN_BINS: Final = 15
TOO_CLOSE: Final = 1e-6
"""Relative distance to a limit below which rounding decides, so that the stream is not compared."""


class TooCloseError(Exception):
    """A value is so close to its limit that rounding decides."""


@dataclass(frozen=True)
class Line:
    """The fitted line at the end of an interval.

    `now`: its value, °C. `slope`: °C/s. `reach_s`: seconds until it reaches the limit, None if never. `rising`: whether
    the whole 95 % prediction band rises during the next `ahead_s`.
    """

    now: float
    slope: float
    reach_s: float | None
    rising: bool


def above(value: float, limit: float) -> bool:
    if abs(value - limit) <= TOO_CLOSE * max(abs(value), abs(limit)):
        raise TooCloseError
    return value > limit


def fit_line(means: Sequence[tuple[float, float]], limit: float, ahead_s: float) -> Line:
    """Fit a line by least squares to (seconds from now, °C)."""
    n = len(means)
    mid, level = fsum(x for x, _ in means) / n, fsum(y for _, y in means) / n
    spread = fsum((x - mid) ** 2 for x, _ in means)
    slope = fsum((x - mid) * (y - level) for x, y in means) / spread
    now = level - slope * mid
    if slope < 1e-9 or not above(limit, now):
        return Line(now, slope, None, False)
    # The lower edge is line - t s sqrt(1 + 1/n + d²/Sxx), d from mid: flattest at the far end.
    s = (fsum((y - level - slope * (x - mid)) ** 2 for x, y in means) / (n - 2)) ** 0.5
    far = ahead_s - mid
    falls = stats.t.ppf(0.975, n - 2) * s * far / spread / (1 + 1 / n + far**2 / spread) ** 0.5
    return Line(now, slope, (limit - now) / slope, above(slope, falls))


def find_oil_heating(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    limit_c: float = 80.0,
    ahead_s: float = 600.0,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
) -> list[Record]:
    rows = accepted(rows)
    bouts = firing_spans(rows, on_bar=on_bar, off_bar=off_bar)
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
            for k in range(bin_ - WINDOW_BINS + 1, bin_ + 1)
            if k in means
        ]
        fired = bool(intersection(bouts, [(at - GRID, at)]))
        active = False
        if len(window) >= MIN_BINS and (fired or onset is not None):
            line = fit_line(window, limit_c, ahead_s)
            if line.reach_s is not None:
                # Once raised, it stays active until the line needs 1.5 times as long.
                allowed = ahead_s if onset is None else ahead_s * 1.5
                active = line.rising and not above(line.reach_s, allowed)
            evidence = {"oil_c": line.now, "slope_c_per_min": line.slope * 60}
        if active and onset is None:
            onset = at
        elif not active and onset is not None:
            records.append(Record("oil_heating", onset, at, "low", operator_at(events, onset)))
            onset = None
    if onset is not None:
        records.append(Record("oil_heating", onset, None, "low", operator_at(events, onset), evidence))
    return records
