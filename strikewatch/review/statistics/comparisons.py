"""Comparisons of rates: with the previous period, on hammers of the same kind, of operators with hammers, of changes.

A fault may be found more often on a hammer with a poorer feed. So an operator who is above the others and whose faults
were mostly inferred is compared again, only with the others' work on hammers of the same kind. This can remove a name
but never adds one.

Whether a fault follows a hammer or its operators is judged by operators with enough firing on the hammer: MIN_EXPECTED
faults must be expected there at the site's rate, so that at most one in twenty would show none by chance (rule of
three; Hanley, Lippman-Hand 1983, JAMA 249:1743).

Rates change with rock, weather and work, for everybody. So an operator's change is compared with that of the others:
the ratio of both ratios is 1 if the operator changed as they did. Given the totals of both and of both times, the
operator's later count has Fisher's noncentral hypergeometric distribution, whatever the four rates are otherwise. Its
limits are exact (Cornfield 1956, Proceedings of the Third Berkeley Symposium 4:135); only the hours enter as a factor.
"""

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np

from strikewatch.detectors.registry import FAULTS as REGISTERED
from strikewatch.review.data.schemas import CHANGE, UNASSIGNED
from strikewatch.review.data.tables import Feeds, count_faults
from strikewatch.review.statistics import poisson, verdicts
from strikewatch.review.statistics.verdicts import LEVEL, RateComparison, Settings

if TYPE_CHECKING:
    import pandas as pd


def add_changes(
    table: "pd.DataFrame", before: "pd.DataFrame | None", by: Sequence[str], settings: Settings
) -> "pd.DataFrame":
    """Add the columns CHANGE to a table by `by` and fault.

    `before`: such a table of the previous period, with count and hours. The comparisons of a site are corrected
    together. Work with nobody signed on is not compared.
    """
    numbers = [name for name in CHANGE if name not in ("changed", "change_words")]
    table[numbers] = np.nan
    table["changed"] = table["change_words"] = ""
    if before is None:
        return table
    earlier = table[[*by, "fault"]].merge(
        before[[*by, "fault", "count", "hours"]], on=[*by, "fault"], how="left"
    )
    worked = (earlier["hours"] > 0).to_numpy()
    table["before_count"] = earlier["count"].fillna(0).to_numpy(float)
    table["before_hours"] = earlier["hours"].fillna(0.0).to_numpy(float)
    table["before_rate"] = (table["before_count"] / table["before_hours"]).where(worked)
    compared = worked & (table["hours"] > 0).to_numpy()
    if "operator" in by:
        compared &= (table["operator"] != UNASSIGNED).to_numpy()
    for _, rows in table[compared].groupby("site"):
        _add_comparisons(table, rows, settings)
    return table


def _add_comparisons(table: "pd.DataFrame", rows: "pd.DataFrame", settings: Settings) -> None:
    cases = [
        RateComparison(int(count), hours, int(before), before_hours, dispersion, over)
        for count, hours, before, before_hours, dispersion, over in zip(
            *(
                rows[name]
                for name in ("count", "hours", "before_count", "before_hours", "dispersion", "over")
            ),
            strict=True,
        )
    ]
    ratios, _, corrected, _ = verdicts.compare_all(cases, settings)
    described = [
        verdicts.describe_change(case, ratio, p, settings)
        for case, ratio, p in zip(cases, ratios, corrected.tolist(), strict=True)
    ]
    at = rows.index
    table.loc[at, "change"] = [ratio.ratio for ratio in ratios]
    table.loc[at, "change_lower"] = [ratio.lower for ratio in ratios]
    table.loc[at, "change_upper"] = [ratio.upper for ratio in ratios]
    table.loc[at, "change_p"] = [ratio.p for ratio in ratios]
    table.loc[at, "change_corrected"] = corrected
    table.loc[at, "changed"] = [kind for kind, _ in described]
    table.loc[at, "change_words"] = [words for _, words in described]


NOT_MONITORED: Final = "Not monitored"


def mark_less_certain(
    table: "pd.DataFrame", exposure: "pd.DataFrame", faults: "pd.DataFrame", feeds: Feeds, settings: Settings
) -> None:
    """Add `less_certain` to a table of OPERATORS, and correct `standing` and `verdict` where inferred faults decide.

    An operator who worked only on hammers whose feed cannot show a fault is reported as not monitored, with the reason.
    """
    onsets = faults[faults["count"] == 1]
    uncertain = onsets[np.array([bool(why) for why in feeds.uncertainties(onsets)], bool)]
    counted = uncertain.groupby(["site", "operator", "fault"], observed=True).size().to_dict()
    rows = table.to_dict("records")
    less_certain = np.array(
        [counted.get((row["site"], row["operator"], row["fault"]), 0) for row in rows], int
    )
    table["less_certain"] = less_certain
    hammers_of = {
        key: set(hammers) for key, hammers in exposure.groupby(["site", "operator"], observed=True)["hammer"]
    }
    for at, row, inferred in zip(table.index, rows, less_certain.tolist(), strict=True):
        if row["standing"] == "little" and not row["hours"] > 0:
            reasons = {
                feeds.silent.get((row["site"], hammer), {}).get(row["fault"])
                for hammer in hammers_of.get((row["site"], row["operator"]), ())
            }
            if reasons and None not in reasons:
                table.loc[at, "verdict"] = f"{NOT_MONITORED}: {'; '.join(sorted(filter(None, reasons)))}."
        if row["standing"] != "above" or 2 * inferred <= row["count"]:
            continue
        case = _compare_on_same_kind(row, exposure, faults, feeds)
        if not _clearly_above(case, settings):
            table.loc[at, "standing"] = "little"
            table.loc[at, "verdict"] = (
                f"Not enough data: {inferred} of {row['count']} are less certain, because the hammer's feed only lets "
                "them be inferred; there is no clear difference from others on such hammers."
            )


def _compare_on_same_kind(
    row: Any, exposure: "pd.DataFrame", faults: "pd.DataFrame", feeds: Feeds
) -> RateComparison:
    """Return the comparison with the others on hammers where the fault is only inferred."""
    import pandas as pd

    site = row["site"]
    exposure, faults = feeds.inferred(
        exposure[exposure["site"] == site], faults[faults["site"] == site], str(row["fault"])
    )
    fault_of_site = pd.DataFrame({"site": [site], "fault": [row["fault"]]}, dtype=object)
    table = count_faults(exposure, faults, ["site", "operator"], fault_of_site)
    operator, others = (
        table["operator"] == row["operator"],
        ~table["operator"].isin([row["operator"], UNASSIGNED]),
    )
    return RateComparison(
        int(table.loc[operator, "count"].sum()),
        float(table.loc[operator, "hours"].sum()),
        int(table.loc[others, "count"].sum()),
        float(table.loc[others, "hours"].sum()),
        row["dispersion"],
        row["over"],
    )


def _clearly_above(case: RateComparison, settings: Settings) -> bool:
    if not case.comparable(settings):
        return False
    ratio = case.ratio()
    return ratio.p < 1.0 - LEVEL and ratio.ratio >= settings.least_ratio


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
