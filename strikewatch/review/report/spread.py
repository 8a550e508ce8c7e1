"""What comparing operators and hammers comes to, in sentences: who stands out, or that the data are too few to say."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Final

from strikewatch.review.coaching import Coaching
from strikewatch.review.data.feeds import Feeds
from strikewatch.review.report import wording
from strikewatch.review.report.content import Line
from strikewatch.review.statistics import hands

if TYPE_CHECKING:
    import pandas as pd

MOST: Final = 0.8
"""The part of the hours that those must have whose faults speak for all."""
NOT_ENOUGH: Final = "Not enough data to say whether this is one operator or everyone."
EVERYBODY: Final = (
    "Nobody stands out from the others by more than chance: what there is to work on is everybody’s."
)
ON_HAMMER: Final[Mapping[hands.Follows, str]] = {
    "hammer": "whoever operates it: have it inspected",
    "some": "but not with everyone who operates it",
    "unclear": "where too few operators fired enough to tell the hammer from the operator",
}


def of_fault(own: "pd.DataFrame", above: Sequence[str]) -> str:
    """Whose a fault is, from its rows of OPERATORS; `above` are those who stand out, in order."""
    if above:
        return f"Above the others: {wording.listed(above)}. Begin the coaching there."
    if enough_judged(own):
        return "Spread over the operators: a matter for all, and for how work is set up."
    return NOT_ENOUGH


def overall(operators: "pd.DataFrame") -> str:
    """Whose the faults of a site are, from the rows of OPERATORS of those there were; empty where somebody stands
    out."""
    own = operators[operators["standing"] != ""]
    if not len(own) or (own["standing"] == "above").any():
        return ""
    if all(enough_judged(each) for _, each in own.groupby("fault")):
        return EVERYBODY
    little = (own["standing"] == "little").groupby(own["operator"]).all()
    if little.all():
        return f"{NOT_ENOUGH} The moments may still be worth a talk."
    if little.any():
        of = f"{little.sum()} of {wording.many(len(little), 'operator')}"
        return f"{NOT_ENOUGH} Nobody stands out so far; {of} cannot be judged on any fault yet."
    return f"{NOT_ENOUGH} Nobody stands out so far; not everybody can be judged on every fault yet."


def enough_judged(own: "pd.DataFrame") -> bool:
    """Whether what is said of those who can be judged on a fault is said of all: at least two, with most of the
    hours."""
    own = own[own["standing"] != ""]
    judged = own["standing"].isin(["above", "within", "below"])
    return bool(judged.sum() >= 2 and own.loc[judged, "hours"].sum() >= MOST * own["hours"].sum())


def by_hammer(site: hands.Site, above: Sequence[str], *, names: bool) -> Iterator[str]:
    """Where hammers have clearly more of a fault than all together, and whether it follows the hammer.

    `names`: whether operators may be named.
    """
    if names:
        for hammer, operators in hands.perhaps_hammer(site, above):
            yield f"It may also be the hammer: on {hammer} only {wording.listed(operators)} fired enough to tell."
    by: dict[hands.Follows, list[str]] = {}
    for hammer, follows in hands.more_on(site, above):
        by.setdefault(follows, []).append(hammer)
    for follows, hammers in by.items():
        yield f"More of it on {wording.listed(hammers)}, {ON_HAMMER[follows]}."


def none_of(
    faults: Sequence[str], site: str, hammers: Sequence[str], feeds: Feeds, coaching: Coaching
) -> Iterator[str]:
    """Faults of which there were none at a site; what its hammers' feeds cannot show is not none."""
    blind = {
        fault: [one for one in hammers if fault in feeds.silent.get((site, one), ())] for fault in faults
    }
    none = [
        coaching.name(fault).lower() + (f" (not monitored on {wording.listed(own)})" if own else "")
        for fault, own in blind.items()
        if len(own) < len(hammers)
    ]
    unseen = [coaching.name(fault).lower() for fault, own in blind.items() if len(own) == len(hammers)]
    if none:
        yield f"None in this time of: {', '.join(none)}."
    if unseen:
        yield f"Not monitored on any hammer: {', '.join(unseen)}."


def summary(lines: Sequence[Line], firing_s: float, seen: Collection[str]) -> str:
    """Of an operator who does not stand out; `seen`: the faults that there were at the site."""
    if not firing_s:
        return "Did not fire in this time"
    if not any(line.count for line in lines):
        return "No fault in this time"
    told = {line.standing for line in lines if line.fault in seen}
    if "little" not in told:
        return "Nothing stands out"
    return "Too little to judge yet" if told == {"little"} else "Nothing stands out so far"
