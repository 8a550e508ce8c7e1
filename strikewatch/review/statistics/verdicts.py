"""Verdicts on an operator and a fault: above the site, below it, within chance, or not enough data to judge.

P-values are corrected for many comparisons: of a hundred operators who work alike, five are beyond a 95 % limit. The
family-wise error rate is controlled (Holm 1979, Scandinavian Journal of Statistics 6:65), not the false discovery
rate, because an error wrongs a person: in at most 5 % of all reviews is an operator singled out whose rate equals the
others'. With a false discovery rate, one in twenty named operators would be named wrongly, and few more would be found,
since usually only one or two stand out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field

from strikewatch.core.batch import Floats
from strikewatch.core.finding import Exposure as Hours
from strikewatch.review.statistics import poisson
from strikewatch.review.statistics.formatting import (
    WORKED,
    amount_of_work,
    format_rate,
    format_ratio,
    p_text,
    ratio_in_words,
    round_down,
    settles,
)
from strikewatch.review.statistics.poisson import Dispersion, RateRatio

Bools = npt.NDArray[np.bool_]
Standing = Literal["above", "below", "within", "little"]
Changed = Literal["more", "fewer", "same", "little"]

LEVEL: Final = 0.95
"""Confidence level of all limits, and the share of reviews in which chance alone singles out nobody."""
DETECTABLE_RATIO: Final = 3.0
"""With enough hours, an operator with this multiple of the others' rate is found more often than not."""
_MAXHOURS_NEEDED: Final = 1000.0
"""The largest number of further hours that a sentence asks for."""


class Settings(BaseModel):
    """When an operator is said to differ from the others."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid", allow_inf_nan=False)

    least_h: float = Field(0.25, ge=0, description="Hours of work below which an operator is not judged, h")
    least_expected: float = Field(
        2.0, gt=0, description="Faults expected at the common rate below which an operator is not judged"
    )
    least_ratio: float = Field(
        1.25,
        ge=1,
        description="Ratio to the others' rate (or its inverse) below which a difference is not reported",
    )


@dataclass(frozen=True, slots=True)
class RateComparison:
    """A count over hours and the one it is compared with: that of the others, or of the same operator before."""

    count: int
    hours: float
    other_count: int
    other_hours: float
    dispersion: float
    over: Hours

    def ratio(self) -> RateRatio:
        return poisson.compare_rates(
            self.count, self.hours, self.other_count, self.other_hours, LEVEL, self.dispersion
        )

    def expected(self, hours: float) -> float:
        """Return the expected count in `hours` at the common rate of both, as independent faults.

        The common rate is used because the others' rate may be 0 or unknown: given the total, the first count is
        binomial by hours (Przyborowski, Wilenski 1940, Biometrika 31:313).
        """
        total_h = self.hours + self.other_hours
        return (self.count + self.other_count) * hours / total_h / self.dispersion if total_h > 0 else 0.0

    def possible(self) -> bool:
        """Return whether both have hours."""
        return self.hours > 0 and self.other_hours > 0

    def comparable(self, settings: Settings) -> bool:
        """Return whether both have enough data, by hours and total count.

        Who had the faults must not influence whether they are compared.
        """
        least_h = max(settings.least_h, 1e-9)
        return all(
            hours >= least_h and self.expected(hours) >= settings.least_expected
            for hours in (self.hours, self.other_hours)
        )

    def hours_needed(self, settings: Settings) -> float:
        """Return how many further hours at the common rate allow a verdict; NaN if no number of hours does."""
        if not self._judgeable(self.hours + _MAXHOURS_NEEDED, settings):
            return float("nan")
        low, high = 0.0, _MAXHOURS_NEEDED
        while high - low > 0.05:
            middle = (low + high) / 2.0
            low, high = (low, middle) if self._judgeable(self.hours + middle, settings) else (middle, high)
        return high

    def likely_missed(self) -> bool:
        """Return whether DETECTABLE_RATIO times the others' rate would be missed more often than not."""
        share = self.hours / (self.hours + self.other_hours)
        total = self.count + self.other_count
        return poisson.miss_probability(total, share, DETECTABLE_RATIO, LEVEL, self.dispersion) > 0.5

    def _judgeable(self, hours: float, settings: Settings) -> bool:
        total_h = self.hours + self.other_hours
        rate = (self.count + self.other_count) / total_h if total_h > 0 else 0.0
        extended = replace(self, hours=hours, count=round(rate * (hours + self.other_hours)), other_count=0)
        return extended.comparable(settings) and not extended.likely_missed()


def holm(p: Floats) -> Floats:
    """Return p [n] corrected for their number; NaN (not compared) does not count and stays NaN."""
    corrected = np.full(len(p), np.nan)
    looked = np.flatnonzero(~np.isnan(p))
    order = looked[np.argsort(p[looked], kind="stable")]
    factors = np.arange(len(order), 0, -1)
    corrected[order] = np.minimum(np.maximum.accumulate(p[order] * factors), 1.0)
    return corrected


def correct_family(
    possible: Sequence[bool], compared: npt.NDArray[np.bool_], p: Sequence[float]
) -> tuple[Floats, int]:
    """Return p [n] corrected for all possible comparisons, and their number; NaN where not compared.

    A possible comparison with too little data counts with p = 1: it must not make others easier to single out.
    """
    corrected = holm(np.where(compared, p, np.where(possible, 1.0, np.nan)))
    return np.where(compared, corrected, np.nan), int(np.sum(np.asarray(possible, bool) | compared))


def compare_all(
    cases: Sequence[RateComparison], settings: Settings
) -> tuple[list[RateRatio], Bools, Floats, int]:
    """Return the ratio of each case [n], whether it is comparable, p corrected for all of them, and their number."""
    ratios = [case.ratio() for case in cases]
    comparable = np.array([case.comparable(settings) for case in cases], bool)
    possible = [case.possible() for case in cases]
    corrected, comparisons = correct_family(possible, comparable, [ratio.p for ratio in ratios])
    return ratios, comparable, corrected, comparisons


class Verdict(NamedTuple):
    """A verdict, its reason as a sentence, and how many further hours would settle it (NaN: settled, or not known)."""

    standing: Standing
    words: str
    settle_h: float = math.nan


def judge(
    case: RateComparison,
    ratio: RateRatio,
    corrected: float,
    comparisons: int,
    settings: Settings,
    outliers_excluded: bool = False,
) -> Verdict:
    """Compare an operator with the others at the site.

    `corrected`: p corrected for the `comparisons` made. `outliers_excluded`: operators who are above are not among the
    others.
    """
    if case.hours <= 0:
        return Verdict("little", f"Not enough data: no {WORKED[case.over]}.")
    if case.other_hours <= 0:
        return Verdict("little", "Not enough data: there is no other operator at the site to compare with.")
    if not case.count + case.other_count:
        everyone = "none, like all operators who do not stand out" if outliers_excluded else "nobody had any"
        return Verdict("within", f"Like the others: {everyone}.")
    if not case.comparable(settings):
        return _too_little(case, _why_not_comparable(case, settings), settings)
    times = ratio_in_words(ratio.ratio, "their rate", "they")
    if corrected < 1.0 - LEVEL:
        if not _relevant(ratio.ratio, settings):
            return Verdict("within", f"Like the others: {times}. Hardly chance, but too little to matter.")
        side: Standing = "above" if ratio.ratio > 1.0 else "below"
        chance = f"p {p_text(corrected)} after correction for {comparisons} comparisons"
        return Verdict(side, f"{side.capitalize()} the others: {times}. Hardly chance ({chance}).")
    if case.likely_missed():
        work = amount_of_work(case.hours, case.over)
        unseen = f"in {work}, even {DETECTABLE_RATIO:.0f} times the others' rate could be missed"
        return _too_little(case, unseen, settings)
    return Verdict("within", f"Like the others: {times}, which chance alone explains.")


def describe_change(
    case: RateComparison, ratio: RateRatio, corrected: float, settings: Settings
) -> tuple[Changed, str]:
    """Compare an operator or site with the previous period; `corrected`: p corrected for all changes compared."""
    if not case.count + case.other_count:
        return "same", "None, as in the previous period."
    if not case.comparable(settings):
        why = _why_not_comparable(case, settings, "in the previous period")
        return "little", f"No comparison with the previous period: {why}."
    times = ratio_in_words(ratio.ratio, "the rate then", "the previous period")
    if corrected < 1.0 - LEVEL:
        if not _relevant(ratio.ratio, settings):
            return "same", f"As in the previous period: {times}. Hardly chance, but too little to matter."
        kind: Changed = "more" if ratio.ratio > 1.0 else "fewer"
        return kind, f"{kind.capitalize()} than in the previous period: {times}. Hardly chance."
    if case.likely_missed():
        return "little", f"No comparison with the previous period: {times} may be chance."
    return "same", f"As in the previous period: {times}, which chance alone explains."


class CoachingVerdict(NamedTuple):
    """Whether a rate changed after coaching, as a sentence, and how many further hours would settle it."""

    changed: Changed
    words: str
    settle_h: float = math.nan


def judge_coaching(
    case: RateComparison, ratio: RateRatio, corrected: float, settings: Settings
) -> CoachingVerdict:
    """Compare the time after a talk with that before; `corrected`: p corrected for all talks compared."""
    if case.other_hours <= 0:
        return CoachingVerdict("little", f"Not enough data: no {WORKED[case.over]} before the talk.")
    if not case.count + case.other_count:
        return CoachingVerdict("same", "None before and none since.")
    if not case.comparable(settings) or (corrected >= 1.0 - LEVEL and case.likely_missed()):
        since = (
            f"only {amount_of_work(case.hours, case.over)} since the talk"
            if case.hours > 0
            else f"no {WORKED[case.over]} since"
        )
        _, words, settle_h = _too_little(case, since, settings)
        if math.isnan(settle_h) and case.hours > 0:
            words = "Not enough data: too few faults before and since the talk to compare."
        return CoachingVerdict("little", words, settle_h)
    before = format_rate(case.other_count, case.other_hours)
    change = f"{format_rate(case.count, case.hours)} an hour instead of {before}"
    limits = (
        f"{format_ratio(ratio.ratio)} times, 95 % {format_ratio(ratio.lower)} to {format_ratio(ratio.upper)}"
    )
    if corrected >= 1.0 - LEVEL or not _relevant(ratio.ratio, settings):
        return CoachingVerdict("same", f"No clear change: {change} ({limits}).")
    kind: Changed = "more" if ratio.ratio > 1.0 else "fewer"
    return CoachingVerdict(kind, f"{kind.capitalize()} since the talk: {change} ({limits}).")


def _too_little(case: RateComparison, why: str, settings: Settings) -> Verdict:
    """Say why there is too little data, and how much more would settle it."""
    if case.expected(case.other_hours) < settings.least_expected:
        return Verdict("little", f"Not enough data: {why}.")
    settle_h = case.hours_needed(settings)
    remedy = f" {settles(settle_h, case.over)}" if settle_h == settle_h else ""
    return Verdict("little", f"Not enough data: {why}.{remedy}", settle_h)


def describe_dispersion(dispersion: Dispersion) -> str:
    """Say whether faults occur in clusters, and what that means for the limits."""
    if dispersion.p != dispersion.p:
        return "Too few faults and days to say whether faults occur in clusters."
    widened = f"counts vary between days {dispersion.value:.1f} times as much as by chance"
    if dispersion.p < 1.0 - LEVEL:
        return f"Faults occur in clusters: {widened}. All limits are therefore widened and approximate."
    if dispersion.value > 1.0:
        return (
            f"Faults may occur independently, although {widened}. "
            "To be safe, all limits are widened and approximate."
        )
    return "Faults occur independently (Poisson distribution)."


def _why_not_comparable(
    case: RateComparison, settings: Settings, others: str = "by the other operators"
) -> str:
    """Say why two rates cannot be compared."""
    if min(case.hours, case.expected(case.hours)) <= 0 or case.hours < settings.least_h:
        return f"only {amount_of_work(case.hours, case.over)}"
    expected = case.expected(case.hours)
    if expected < settings.least_expected:
        clusters = ", with allowance for clusters" if case.dispersion > 1.0 else ""
        faults = f"only {round_down(expected)}" if expected >= 0.1 else "fewer than 0.1"
        return f"{faults} faults expected in {amount_of_work(case.hours, case.over)}{clusters}"
    if case.other_hours < settings.least_h:
        return f"too little work {others} to compare with"
    return "too few faults to compare"


def _relevant(ratio: float, settings: Settings) -> bool:
    return not 1.0 / settings.least_ratio < ratio < settings.least_ratio
