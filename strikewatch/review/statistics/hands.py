"""Whether a fault follows a hammer or the people who operate it.

Only hands that fired enough count: those with FEWEST faults to be expected there at the site's rate, so that at most
one in twenty of them would show none by chance (the rule of three; Hanley, Lippman-Hand 1983, JAMA 249:1743).
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from strikewatch.detectors.registry import FAULTS as REGISTERED
from strikewatch.review.data.counts import tally
from strikewatch.review.data.feeds import Feeds
from strikewatch.review.data.frames import UNASSIGNED
from strikewatch.review.statistics import poisson
from strikewatch.review.statistics.verdicts import LEVEL

if TYPE_CHECKING:
    import pandas as pd

FEWEST: Final = 3.0
MACHINES: Final = frozenset(name for name, fault in REGISTERED.items() if fault.by_machine)
"""Faults that a machine can bring about by itself; the others are habits."""
MOSTLY: Final = 0.8
"""Of an operator's faults, on one hammer: what is left elsewhere says little."""

Follows = Literal["hammer", "some", "unclear"]


@dataclass(frozen=True, slots=True)
class Site:
    """A fault at a site: EXPOSURE and FAULTS, its rate per hour with the upper limit, and the dispersion."""

    name: str
    fault: str
    exposure: "pd.DataFrame"
    faults: "pd.DataFrame"
    feeds: Feeds
    rate: float
    upper: float
    dispersion: float

    def by_hand(self) -> "pd.DataFrame":
        """Count and hours by hammer and operator, nobody signed on left out."""
        import pandas as pd

        shown = pd.DataFrame({"site": [self.name], "fault": [self.fault]}, dtype=object)
        table = tally(self.exposure, self.faults, ["site", "hammer", "operator"], shown, self.feeds)
        return table[table["operator"] != UNASSIGNED]

    def enough(self, own: "pd.DataFrame") -> "pd.DataFrame":
        """The hands that fired enough to have shown the fault."""
        return own[own["hours"] * self.rate / self.dispersion >= FEWEST]

    def clearly_more(self, count: float, hours: float, than: float) -> bool:
        """Whether the lower limit of a rate is above another rate."""
        lower, _ = poisson.limits(count, hours, LEVEL, self.dispersion)
        return bool(lower > than)


def more_on(site: Site, above: Collection[str]) -> Iterator[tuple[str, Follows]]:
    """Hammers with clearly more of the fault than all together, those operators left out who stand out above.

    hammer: with each of two or more hands that fired enough there, and without any one of them still; some: not with
    each of them; unclear: fewer than two fired enough there.
    """
    hands = site.by_hand()
    hands = hands[~hands["operator"].isin(above)]
    for hammer, own in hands.groupby("hammer", sort=True):
        count, hours = own["count"].sum(), own["hours"].sum()
        if not site.clearly_more(count, hours, site.upper):
            continue
        enough = site.enough(own)
        if len(enough) < 2:
            yield str(hammer), "unclear"
            continue
        each = (enough["count"] > site.rate * enough["hours"]).all()
        without = (
            site.clearly_more(count - n, hours - h, site.rate)
            for n, h in zip(enough["count"], enough["hours"], strict=True)
        )
        yield str(hammer), "hammer" if each and all(without) else "some"


def perhaps_hammer(site: Site, above: Sequence[str]) -> Iterator[tuple[str, list[str]]]:
    """Hammers on which somebody above has most of the faults, and nobody who is not above fired enough: hammer and
    operator cannot be told apart there. With those above who fired enough, in their order."""
    if site.fault not in MACHINES:
        return
    hands = site.by_hand()
    mostly: set[str] = set()
    for operator in above:
        own = hands[hands["operator"] == operator].groupby("hammer")["count"].sum()
        if own.sum() and own.max() >= MOSTLY * own.sum():
            mostly.add(str(own.idxmax()))
    for hammer in sorted(mostly):
        enough = set(site.enough(hands[hands["hammer"] == hammer])["operator"])
        if enough and enough <= set(above):
            yield hammer, [one for one in above if one in enough]
