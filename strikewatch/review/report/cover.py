"""The first pages of the report: what to do next, and how sure that is."""

from collections.abc import Iterator, Mapping, Sequence
from math import isfinite
from typing import TYPE_CHECKING, Any, Final

from strikewatch.review.coaching import Coaching
from strikewatch.review.data.schemas import UNASSIGNED
from strikewatch.review.report.content import Action, Card, OperatorPart
from strikewatch.review.report.wording import NOT_ENOUGH, SPREAD_OVER_ALL, join_names, plural, upper_first
from strikewatch.review.statistics.formatting import format_ratio, round_hours

if TYPE_CHECKING:
    import pandas as pd

MIN_UNASSIGNED_SHARE: Final = 0.05
"""Share of the firing with nobody signed on from which it is worth acting on."""


def actions(
    people: Sequence[OperatorPart],
    cards: Sequence[Card],
    inspect: Mapping[str, Sequence[str]],
    overall: str,
    exposure: "pd.DataFrame",
    anchor: str,
) -> Iterator[Action]:
    """Yield what to do next: whom to coach, which hammer to inspect, what to raise with everybody, what to find out.

    `inspect`: faults that follow a hammer, by hammer. `exposure`: rows of EXPOSURE of the site.
    """
    for person in people:
        if person.topics:
            topics = join_names([topic.name.lower() for topic in person.topics])
            ratios = [format_ratio(topic.ratio) for topic in person.topics]
            known = len(ratios) > 1 and all(isfinite(topic.ratio) for topic in person.topics)
            why = f"{join_names(ratios)} times the others' rate." if known else person.topics[0].why
            yield Action(f"Coach {person.operator} on {topics}.", why, person.anchor)
    for hammer, faults in sorted(inspect.items()):
        what = join_names([fault.lower() for fault in faults])
        yield Action(
            f"Have {hammer} inspected.", f"More often there with every operator: {what}.", f"{anchor}-hammers"
        )
    for card in cards:
        if card.spread.startswith(SPREAD_OVER_ALL):
            rate = f"{card.line.count} in {card.line.hours:.0f} h, spread over all operators."
            yield Action(f"Raise {card.line.name.lower()} with everybody.", rate, f"{anchor}-work")
    if overall.startswith(NOT_ENOUGH) and not any(person.topics for person in people):
        yield Action("Coach nobody on these numbers yet.", overall, f"{anchor}-sure")
    firing_s = exposure["firing_s"].sum()
    unassigned_s = exposure.loc[exposure["operator"] == UNASSIGNED, "firing_s"].sum()
    if firing_s and unassigned_s >= MIN_UNASSIGNED_SHARE * firing_s:
        share = f"{100 * unassigned_s / firing_s:.0f} % of the firing was with nobody signed on, and counts for nobody."
        yield Action("See that operators sign on.", share)


def judged(operators: "pd.DataFrame", coaching: Coaching) -> Iterator[str]:
    """Yield, for the faults that occurred, who cannot be judged on them yet, and what would settle it."""
    compared = operators[operators["standing"] != ""]
    faults_by_words: dict[str, list[str]] = {}
    for fault, rows in compared.groupby("fault", sort=False):
        if not rows["count"].any():
            continue
        little = rows[rows["standing"] == "little"]
        some = f"{len(little)} of {plural(len(rows), 'operator')} cannot be judged yet"
        who = "nobody can be judged yet" if len(little) == len(rows) else some
        words = f"{who}. {_settles(little)}" if len(little) else "everybody can be judged."
        faults_by_words.setdefault(words, []).append(coaching.name(str(fault)).lower())
    for words, faults in faults_by_words.items():
        yield upper_first(f"{join_names(faults)}: {words.rstrip()}")
    if len(compared):
        yield "Chance alone singles out anybody in at most one of 20 reviews."


def _settles(rows: "pd.DataFrame") -> str:
    """Say how many further hours would settle the verdicts of these rows of OPERATORS."""
    known: Any = rows["settle_h"].dropna()
    if known.empty:
        return "Too few occurred to compare operators." if (rows["hours"] > 0).any() else ""
    about = round_hours(float(known.max()), rows["over"].iloc[0])
    return f"{upper_first(about)} {'each ' if len(rows) > 1 else ''}would settle it."
