"""What can be said of an operator and a fault: above the site, below it, as the site, or too little to judge."""

import math
from dataclasses import dataclass, replace
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from strikewatch.review.data.schemas import Hours
from strikewatch.review.statistics import poisson
from strikewatch.review.statistics.dispersion import Dispersion
from strikewatch.review.statistics.poisson import Ratio

Standing = Literal["above", "below", "within", "little"]
Changed = Literal["more", "fewer", "same", "little"]

LEVEL: Final = 0.95
"""Of all limits, and the share of reviews in which chance singles out nobody."""
TIMES: Final = 3.0
"""Too little was worked where someone with so many times the others' rate would be overlooked more often than not."""
_MOST_MORE_H: Final = 1000.0
"""More hours than these are not asked for."""
WORKED: Final[dict[Hours, str]] = {
    "firing": "firing",
    "judged": "firing that could be judged",
    "operating": "operating",
}

_HOUR: Final[dict[Hours, str]] = {
    "firing": "firing hour",
    "judged": "judged firing hour",
    "operating": "operating hour",
}


class Settings(BaseModel):
    """When somebody is said to differ."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    least_h: float = Field(0.25, ge=0, description="Less work than this is too little to judge, h")
    least_expected: float = Field(
        2.0, gt=0, description="Fewer faults to be expected at the common rate are too little to judge"
    )
    least_ratio: float = Field(
        1.25, ge=1, description="A smaller ratio to the others' rate, or its inverse, is not worth a word"
    )


@dataclass(frozen=True, slots=True)
class Case:
    """A count over hours, and another it is compared with: the others' at the site, or one's own of before."""

    count: int
    hours: float
    other_count: int
    other_hours: float
    dispersion: float
    over: Hours

    def ratio(self) -> Ratio:
        return poisson.two_rates(
            self.count, self.hours, self.other_count, self.other_hours, LEVEL, self.dispersion
        )

    def expected(self, hours: float) -> float:
        """The count to be expected of `hours` of the two at their common rate, in faults that come singly.

        The common rate, and not the others', which may be 0 or unknown: given the total, the own part of it is
        binomial by hours (Przyborowski, Wilenski 1940, Biometrika 31:313).
        """
        total_h = self.hours + self.other_hours
        return (self.count + self.other_count) * hours / total_h / self.dispersion if total_h > 0 else 0.0

    def possible(self) -> bool:
        """Whether there is anything to compare with."""
        return self.hours > 0 and self.other_hours > 0

    def comparable(self, settings: Settings) -> bool:
        """By hours and the total of both: whether to look must not depend on whose the faults are."""
        least_h = max(settings.least_h, 1e-9)
        return all(
            hours >= least_h and self.expected(hours) >= settings.least_expected
            for hours in (self.hours, self.other_hours)
        )

    def more_h(self, settings: Settings) -> float:
        """Of how many more hours like these at the common rate it could be judged; NaN where more would not do."""
        if not self._judgeable(self.hours + _MOST_MORE_H, settings):
            return float("nan")
        low, high = 0.0, _MOST_MORE_H
        while high - low > 0.05:
            middle = (low + high) / 2.0
            low, high = (low, middle) if self._judgeable(self.hours + middle, settings) else (middle, high)
        return high

    def overlooked(self) -> bool:
        """Whether somebody with TIMES the others' rate would be overlooked more often than not."""
        share = self.hours / (self.hours + self.other_hours)
        total = self.count + self.other_count
        return poisson.overlooked(total, share, TIMES, LEVEL, self.dispersion) > 0.5

    def _judgeable(self, hours: float, settings: Settings) -> bool:
        total_h = self.hours + self.other_hours
        rate = (self.count + self.other_count) / total_h if total_h > 0 else 0.0
        more = replace(self, hours=hours, count=round(rate * (hours + self.other_hours)), other_count=0)
        return more.comparable(settings) and not more.overlooked()


def judge(
    case: Case, ratio: Ratio, corrected: float, looked: int, settings: Settings, left_aside: bool = False
) -> tuple[Standing, str]:
    """Against the others at the site; `corrected` is p as corrected for the `looked` comparisons made.

    `left_aside`: those who stand out above are not among the others.
    """
    if case.hours <= 0:
        return "little", f"Too little to judge: no {WORKED[case.over]}."
    if case.other_hours <= 0:
        return "little", "Too little to judge: there is nobody else at the site to compare with."
    if not case.count + case.other_count:
        return "within", (
            "As the site: none, like all who do not stand out."
            if left_aside
            else "As the site: nobody had any."
        )
    if not case.comparable(settings):
        return "little", f"Too little to judge: {_lacking(case, settings)}."
    times = _times(ratio.ratio, "the others' rate", "the others")
    if corrected < 1.0 - LEVEL:
        if not _worth(ratio.ratio, settings):
            return "within", f"As the site: {times}; hardly chance, but too small a difference to matter."
        why = f"chance would hardly do that (p {_p(corrected)}, corrected for {looked} comparisons)"
        side: Standing = "above" if ratio.ratio > 1.0 else "below"
        return side, f"{side.capitalize()} the site: {times}; {why}."
    if case.overlooked():
        unseen = f"in {_worked(case)} even {TIMES:.0f} times the others' rate may go unseen"
        return "little", f"Too little to judge: {unseen}{_needed(case, settings)}."
    return "within", f"As the site: {times}; that is within what chance does."


def changed(case: Case, ratio: Ratio, corrected: float, settings: Settings) -> tuple[Changed, str]:
    """Against the same one's period before; `corrected` is p as corrected for all changes looked at."""
    if not case.count + case.other_count:
        return "same", "None, as before."
    if not case.comparable(settings):
        return "little", f"Too little to tell a change: {_lacking(case, settings, 'before')}."
    times = _times(ratio.ratio, "the rate before", "the period before")
    if corrected < 1.0 - LEVEL:
        if not _worth(ratio.ratio, settings):
            return "same", f"As before: {times}; hardly chance, but too small a difference to matter."
        kind: Changed = "more" if ratio.ratio > 1.0 else "fewer"
        return kind, f"{kind.capitalize()} than before: {times} (corrected p {_p(corrected)})."
    if case.overlooked():
        return "little", f"Too little to tell a change: {times} may be chance."
    return "same", f"As before: {times}; that is within what chance does."


def clustered(dispersion: Dispersion) -> str:
    """Whether a plain Poisson is believed, and what is allowed for."""
    if dispersion.p != dispersion.p:
        return "Too few faults and days to tell whether faults come in clusters."
    widened = f"counts vary between days {dispersion.value:.1f} times as much as chance makes them"
    if dispersion.p < 1.0 - LEVEL:
        return f"Faults come in clusters: {widened}. All limits are widened for it, and approximate."
    if dispersion.value > 1.0:
        return (
            f"Faults may come singly, though {widened}. All limits are widened for it all the same, "
            "and approximate."
        )
    return "Faults come singly, as a plain Poisson has it."


def _lacking(case: Case, settings: Settings, others: str = "by the others") -> str:
    """What makes a case not comparable."""
    if min(case.hours, case.expected(case.hours)) <= 0 or case.hours < settings.least_h:
        return f"only {_worked(case)}{_needed(case, settings)}"
    expected = case.expected(case.hours)
    if expected < settings.least_expected:
        clusters = ", clusters allowed for" if case.dispersion > 1.0 else ""
        return (
            f"in {_worked(case)} only {_down(expected)} would be expected at the common rate{clusters}"
            f"{_needed(case, settings)}"
        )
    return f"too little was worked {others} to compare with"


def _down(number: float) -> str:
    """Rounded down, so that what is below a limit does not look like it."""
    return f"{math.floor(10 * number) / 10:.1f}"


def _needed(case: Case, settings: Settings) -> str:
    """How many more hours would do, as the end of a sentence."""
    if case.expected(case.other_hours) < settings.least_expected:
        return f", and only {_down(case.expected(case.other_hours))} in what it is compared with"
    more_h = case.more_h(settings)
    return f"; it takes {more_hours(more_h, case.over)}" if more_h == more_h else ""


def more_hours(hours: float, over: Hours) -> str:
    """In round figures: about 1 more firing hour, about 25 more firing hours."""
    whole = max(1, math.ceil(hours))
    whole = whole if whole < 20 else 5 * math.ceil(whole / 5)
    return f"about {whole} more {_HOUR[over]}{'s' if whole > 1 else ''}"


def _worth(ratio: float, settings: Settings) -> bool:
    return not 1.0 / settings.least_ratio < ratio < settings.least_ratio


def _worked(case: Case) -> str:
    worked = f"{case.hours:.1f} h" if case.hours >= 1.0 else f"{60 * case.hours:.0f} min"
    return f"{worked} of {WORKED[case.over]}"


def _times(ratio: float, rate: str, other: str) -> str:
    if ratio == float("inf"):
        return f"some, where {other} had none"
    if ratio == 0.0:
        return f"none, where {other} had some"
    return f"{ratio:.1f} times {rate}" if ratio >= 0.1 else f"less than a tenth of {rate}"


def _p(p: float) -> str:
    return f"{p:.3f}" if p >= 0.001 else "below 0.001"
