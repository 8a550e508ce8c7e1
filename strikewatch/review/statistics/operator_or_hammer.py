"""Find out whether a fault follows a hammer or its operators.

Only operators with enough firing on a hammer count: MIN_EXPECTED faults must be expected there at the site's rate, so
that at most one in twenty would show none by chance (rule of three; Hanley, Lippman-Hand 1983, JAMA 249:1743).
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from strikewatch.detectors.registry import FAULTS as REGISTERED
from strikewatch.review.data.counts import count_faults
from strikewatch.review.data.feeds import Feeds
from strikewatch.review.data.schemas import UNASSIGNED
from strikewatch.review.statistics import poisson
from strikewatch.review.statistics.verdicts import LEVEL

if TYPE_CHECKING:
    import pandas as pd

MIN_EXPECTED: Final = 3.0
MACHINE_FAULTS: Final = frozenset(name for name, fault in REGISTERED.items() if fault.by_machine)
"""Faults that a machine can cause by itself; the others are habits."""
MOSTLY_SHARE: Final = 0.8
"""Share of an operator's faults on one hammer above which the rest says little."""

Follows = Literal["hammer", "some", "unclear"]


@dataclass(frozen=True, slots=True)
class SiteFault:
    """One fault at a site: EXPOSURE and FAULTS, its rate per hour with the upper limit, and the dispersion."""

    name: str
    fault: str
    exposure: "pd.DataFrame"
    faults: "pd.DataFrame"
    feeds: Feeds
    rate: float
    upper: float
    dispersion: float

    def by_hammer_and_operator(self) -> "pd.DataFrame":
        """Return count and hours by hammer and operator, without work with nobody signed on."""
        import pandas as pd

        shown = pd.DataFrame({"site": [self.name], "fault": [self.fault]}, dtype=object)
        table = count_faults(self.exposure, self.faults, ["site", "hammer", "operator"], shown, self.feeds)
        return table[table["operator"] != UNASSIGNED]

    def with_enough_hours(self, rows: "pd.DataFrame") -> "pd.DataFrame":
        """Return the rows with enough hours to have shown the fault."""
        return rows[rows["hours"] * self.rate / self.dispersion >= MIN_EXPECTED]

    def clearly_more(self, count: float, hours: float, than: float) -> bool:
        """Return whether the lower limit of a rate is above another rate."""
        lower, _ = poisson.rate_limits(count, hours, LEVEL, self.dispersion)
        return bool(lower > than)


def hammers_above(site: SiteFault, above: Collection[str]) -> Iterator[tuple[str, Follows]]:
    """Yield the hammers with clearly more of the fault than the site, without the operators in `above`.

    hammer: with every operator who fired enough there, at least two, and also without any one of them. some: not with
    every operator. unclear: fewer than two operators fired enough there.
    """
    table = site.by_hammer_and_operator()
    table = table[~table["operator"].isin(above)]
    for hammer, rows in table.groupby("hammer", sort=True):
        count, hours = rows["count"].sum(), rows["hours"].sum()
        if not site.clearly_more(count, hours, site.upper):
            continue
        enough = site.with_enough_hours(rows)
        if len(enough) < 2:
            yield str(hammer), "unclear"
            continue
        with_every = (enough["count"] > site.rate * enough["hours"]).all()
        without_one = (
            site.clearly_more(count - n, hours - h, site.rate)
            for n, h in zip(enough["count"], enough["hours"], strict=True)
        )
        yield str(hammer), "hammer" if with_every and all(without_one) else "some"


def indistinguishable_hammers(site: SiteFault, above: Sequence[str]) -> Iterator[tuple[str, list[str]]]:
    """Yield the hammers on which hammer and operator cannot be distinguished, with who fired enough there.

    An operator in `above` has most of the faults on such a hammer, and only operators in `above` fired enough there.
    """
    if site.fault not in MACHINE_FAULTS:
        return
    table = site.by_hammer_and_operator()
    mostly: set[str] = set()
    for operator in above:
        rows = table[table["operator"] == operator].groupby("hammer")["count"].sum()
        if rows.sum() and rows.max() >= MOSTLY_SHARE * rows.sum():
            mostly.add(str(rows.idxmax()))
    for hammer in sorted(mostly):
        enough = set(site.with_enough_hours(table[table["hammer"] == hammer])["operator"])
        if enough and enough <= set(above):
            yield hammer, [operator for operator in above if operator in enough]
