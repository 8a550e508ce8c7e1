"""A change of rate compared with the change of others in the same time.

Rates change with rock, weather and work, for everybody. So an operator's change is compared with that of the others:
the ratio of both ratios is 1 if the operator changed as they did. Given the totals of both and of both times, the
operator's later count has Fisher's noncentral hypergeometric distribution, whatever the four rates are otherwise. Its
limits are exact (Cornfield 1956, Proceedings of the Third Berkeley Symposium 4:135); only the hours enter as a factor.
"""

import math
from typing import NamedTuple


class Counted(NamedTuple):
    """A number of faults over hours."""

    faults: int
    hours: float


class RelativeChange(NamedTuple):
    """Ratio of two changes with its limits: 0 and infinity where not known, NaN without hours."""

    ratio: float
    lower: float
    upper: float


def relative_change(
    before: Counted,
    after: Counted,
    others_before: Counted,
    others_after: Counted,
    level: float = 0.95,
    dispersion: float = 1.0,
) -> RelativeChange:
    """Compare the change of an operator's rate with that of the others, as a ratio with exact limits.

    With a dispersion above 1 the limits are approximate: their distance from the ratio, on a logarithmic scale, is
    widened by its root; where the ratio is 0 or infinite, the other limit by the dispersion itself.
    """
    from scipy.stats.contingency import odds_ratio

    counts = (before, after, others_before, others_after)
    if min(count.hours for count in counts) <= 0:
        return RelativeChange(math.nan, math.nan, math.nan)
    table = [[after.faults, before.faults], [others_after.faults, others_before.faults]]
    hours = before.hours / after.hours * others_after.hours / others_before.hours
    if 0 in (
        sum(table[0]),
        sum(table[1]),
        after.faults + others_after.faults,
        before.faults + others_before.faults,
    ):
        return RelativeChange(math.nan, 0.0, math.inf)
    low, high = odds_ratio(table, kind="conditional").confidence_interval(level)
    numerator, denominator = after.faults * others_before.faults, before.faults * others_after.faults
    ratio = hours * numerator / denominator if denominator else math.inf
    lower, upper = (
        _widen(ratio, hours * float(low), dispersion),
        _widen(ratio, hours * float(high), dispersion),
    )
    return RelativeChange(ratio, lower, upper)


def _widen(ratio: float, limit: float, dispersion: float) -> float:
    if ratio == 0.0 or limit == 0.0 or math.isinf(limit):
        return limit * dispersion
    if math.isinf(ratio):
        return limit / dispersion
    return ratio * math.pow(limit / ratio, math.sqrt(dispersion))
