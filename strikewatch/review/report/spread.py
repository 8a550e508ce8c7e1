"""Sentences on the comparison of operators and hammers: who stands out, or that there is not enough data to say."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Final

from strikewatch.review.coaching import Coaching
from strikewatch.review.data.feeds import Feeds
from strikewatch.review.report import wording
from strikewatch.review.report.content import RateLine
from strikewatch.review.statistics import hands

if TYPE_CHECKING:
    import pandas as pd

MIN_SHARE: Final = 0.8
"""Share of the hours that the judged operators must have for a statement about all."""
NOT_ENOUGH: Final = "Not enough data to say whether this is one operator or everyone."
NOBODY_STANDS_OUT: Final = "No operator stands out by more than chance: the faults concern everybody."
ON_HAMMER: Final[Mapping[hands.Follows, str]] = {
    "hammer": "whoever operates it: have it inspected",
    "some": "but not with every operator",
    "unclear": "but too few operators fired enough there to tell the hammer from the operator",
}


def fault_spread(own: "pd.DataFrame", above: Sequence[str]) -> str:
    """Say who a fault concerns, from its rows of OPERATORS; `above`: the operators who stand out, in order."""
    if above:
        return f"Above the others: {wording.join_names(above)}. Start coaching there."
    if mostly_judged(own):
        return "Spread over all operators: address it with everybody, and check how the work is set up."
    return NOT_ENOUGH


def overall_verdict(operators: "pd.DataFrame") -> str:
    """Say who the faults of a site concern, from the rows of OPERATORS; empty if an operator stands out."""
    own = operators[operators["standing"] != ""]
    if not len(own) or (own["standing"] == "above").any():
        return ""
    if all(mostly_judged(each) for _, each in own.groupby("fault")):
        return NOBODY_STANDS_OUT
    little = (own["standing"] == "little").groupby(own["operator"]).all()
    if little.all():
        return f"{NOT_ENOUGH} The highlights may still be worth talking about."
    if little.any():
        of = f"{little.sum()} of {wording.plural(len(little), 'operator')}"
        return f"{NOT_ENOUGH} No operator stands out so far; {of} cannot be judged on any fault yet."
    return f"{NOT_ENOUGH} No operator stands out so far; not every operator can be judged on every fault yet."


def mostly_judged(own: "pd.DataFrame") -> bool:
    """Return whether the operators who can be judged on a fault stand for all: at least two, with most of the hours."""
    own = own[own["standing"] != ""]
    judged = own["standing"].isin(["above", "within", "below"])
    return bool(judged.sum() >= 2 and own.loc[judged, "hours"].sum() >= MIN_SHARE * own["hours"].sum())


def by_hammer(site: hands.SiteFault, above: Sequence[str], *, names: bool) -> Iterator[str]:
    """Yield sentences on hammers with clearly more of a fault than the site, and whether it follows the hammer.

    `names`: operators may be named.
    """
    if names:
        for hammer, operators in hands.indistinguishable_hammers(site, above):
            names_ = wording.join_names(operators)
            yield f"It may also be the hammer: on {hammer}, only {names_} fired enough to tell."
    by: dict[hands.Follows, list[str]] = {}
    for hammer, follows in hands.hammers_above(site, above):
        by.setdefault(follows, []).append(hammer)
    for follows, hammers in by.items():
        yield f"More often on {wording.join_names(hammers)}, {ON_HAMMER[follows]}."


def faults_without_occurrence(
    faults: Sequence[str], site: str, hammers: Sequence[str], feeds: Feeds, coaching: Coaching
) -> Iterator[str]:
    """Yield sentences on faults that did not occur at a site, and on faults that its hammers' feeds cannot show."""
    blind = {
        fault: [one for one in hammers if fault in feeds.silent.get((site, one), ())] for fault in faults
    }
    none = [
        coaching.name(fault).lower() + (f" (not monitored on {wording.join_names(own)})" if own else "")
        for fault, own in blind.items()
        if len(own) < len(hammers)
    ]
    unseen = [coaching.name(fault).lower() for fault, own in blind.items() if len(own) == len(hammers)]
    if none:
        yield f"None in this period: {', '.join(none)}."
    if unseen:
        yield f"Not monitored on any hammer: {', '.join(unseen)}."


def summary(lines: Sequence[RateLine], firing_s: float, seen: Collection[str]) -> str:
    """Summarize an operator who does not stand out; `seen`: the faults that occurred at the site."""
    if not firing_s:
        return "No firing in this period"
    if not any(line.count for line in lines):
        return "No faults in this period"
    standings = {line.standing for line in lines if line.fault in seen}
    if "little" not in standings:
        return "Nothing stands out"
    return "Not enough data to judge yet" if standings == {"little"} else "Nothing stands out so far"
