"""What can be said of an operator and a fault: above the site, below it, as the site, or too little to judge."""

from dataclasses import dataclass
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from strikewatch.review import poisson
from strikewatch.review.columns import Hours
from strikewatch.review.dispersion import Dispersion
from strikewatch.review.poisson import Ratio

Standing = Literal["above", "below", "within", "little"]
Changed = Literal["more", "fewer", "same", "little"]

LEVEL: Final = 0.95
"""Of all limits, and the share of reviews in which chance singles out nobody."""
TIMES: Final = 3.0
"""Too little was worked where someone with so many times the others' rate would be overlooked more often than not."""
WORKED: Final[dict[Hours, str]] = {
    "firing": "firing",
    "judged": "firing that could be judged",
    "operating": "operating",
}


class Settings(BaseModel):
    """When somebody is said to differ."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    least_h: float = Field(1.0, ge=0, description="Less work than this is too little to judge, h")
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

    def comparable(self, settings: Settings) -> bool:
        """By hours alone: whether to look must not depend on what is seen."""
        return min(self.hours, self.other_hours) >= max(settings.least_h, 1e-9)


def judge(
    case: Case, ratio: Ratio, corrected: float, looked: int, settings: Settings
) -> tuple[Standing, str]:
    """Against the others at the site; `corrected` is p as corrected for the `looked` comparisons made."""
    little = _little(case, "nobody else at the site has worked enough to compare with", settings)
    if little:
        return "little", little
    if not case.count + case.other_count:
        return "within", "As the site: nobody had any."
    times = _times(ratio.ratio, "the others' rate", "the others")
    if corrected < 1.0 - LEVEL:
        if not _worth(ratio.ratio, settings):
            return "within", f"As the site: {times} is hardly chance, but too small a difference to matter."
        why = f"chance would hardly do that (p {_p(corrected)}, corrected for {looked} comparisons)"
        side: Standing = "above" if ratio.ratio > 1.0 else "below"
        return side, f"{side.capitalize()} the site: {times}; {why}."
    if _overlooked(case):
        unseen = f"in {_worked(case)} even {TIMES:.0f} times the others' rate may go unseen"
        return "little", f"Too little to judge: {unseen}."
    return "within", f"As the site: {times} is within what chance does."


def changed(case: Case, ratio: Ratio, corrected: float, settings: Settings) -> tuple[Changed, str]:
    """Against the same one's period before; `corrected` is p as corrected for all changes looked at."""
    little = _little(case, "too little was worked before", settings)
    if little:
        return "little", little.replace("judge", "tell a change")
    if not case.count + case.other_count:
        return "same", "None, as before."
    times = _times(ratio.ratio, "the rate before", "the period before")
    if corrected < 1.0 - LEVEL:
        if not _worth(ratio.ratio, settings):
            return "same", f"As before: {times} is hardly chance, but too small a difference to matter."
        kind: Changed = "more" if ratio.ratio > 1.0 else "fewer"
        return kind, f"{kind.capitalize()} than before: {times} (corrected p {_p(corrected)})."
    if _overlooked(case):
        return "little", f"Too little to tell a change: {times}, which may be chance."
    return "same", f"As before: {times} is within what chance does."


def clustered(dispersion: Dispersion) -> str:
    """Whether a plain Poisson is believed, and what is allowed for."""
    if dispersion.p != dispersion.p:
        return "Too few faults and days to tell whether faults come in clusters."
    widened = f"counts vary between days {dispersion.value:.1f} times as much as chance makes them"
    if dispersion.p < 1.0 - LEVEL:
        return f"Faults come in clusters: {widened}, and all limits are wider for it."
    if dispersion.value > 1.0:
        return f"Faults may come singly, though {widened}: limits are wider for it all the same."
    return "Faults come singly, as a plain Poisson has it."


def _little(case: Case, alone: str, settings: Settings) -> str:
    """Why too little was worked; empty where enough was."""
    if case.hours <= 0:
        return f"Too little to judge: no {WORKED[case.over]}."
    if case.hours < settings.least_h:
        return f"Too little to judge: only {_worked(case)}."
    return "" if case.comparable(settings) else f"Too little to judge: {alone}."


def _overlooked(case: Case) -> bool:
    share = case.hours / (case.hours + case.other_hours)
    total = case.count + case.other_count
    return poisson.overlooked(total, share, TIMES, LEVEL, case.dispersion) > 0.5


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
