"""The usage table in words: names of its measures, and sentences on what is not known and why."""

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Final

from strikewatch.review.report.wording import join_names

if TYPE_CHECKING:
    import pandas as pd

NAMES: Final[Mapping[str, str]] = {
    "operating_h": "Operating, h",
    "firing_h": "Firing, h",
    "bouts": "Bouts of firing",
    "blows": "Blows",
    "judged_h": "Judged for blank firing, h",
    "blank_s": "Suspected blank firing, s",
    "blank_blows": "Blows suspected blank",
    "hot_firing_s": "Firing with hot oil, s",
    "spot_beyond_s": "Firing in one spot beyond the limit, s",
    "grease_overdue_h": "Operating with grease overdue, h",
    "low_engine_speed_s": "Engine turned down, s",
    "end_of_stroke_s": "Firing at a cylinder's end, s",
    "over_side_s": "Firing over the side, s",
    "off_square_s": "Firing off square, s",
    "feed_force_s": "Feed force outside its band, s",
    "prying_s": "Prying, s",
    "submerged_s": "Firing under water, s",
    "checks_missed": "Walkaround inspections missed",
    "inspections_missed": "Inspections missed",
    "services_missed": "Full services missed",
}


def not_known(table: "pd.DataFrame") -> Iterator[str]:
    """Yield a sentence for all hammers of a table of USAGE with the same unknown measures."""
    return _sentences(table, "not_known", "Not known for")


def less_certain(table: "pd.DataFrame") -> Iterator[str]:
    """Yield a sentence for all hammers with the same measures that are only inferred."""
    return _sentences(table[table["amount"] > 0], "less_certain", "Less certain for")


def _sentences(table: "pd.DataFrame", column: str, head: str) -> Iterator[str]:
    by_reasons: dict[tuple[tuple[str, tuple[str, ...]], ...], list[str]] = {}
    for hammer, own in table[table[column] != ""].groupby("hammer", sort=True):
        reasons = tuple(
            (str(reason), tuple(map(str, rows["measure"])))
            for reason, rows in own.groupby(column, sort=False)
        )
        by_reasons.setdefault(reasons, []).append(str(hammer))
    for reasons, hammers in by_reasons.items():
        listed = "; ".join(f"{join_names([plain(name) for name in names])} ({why})" for why, names in reasons)
        yield f"{head} {join_names(hammers)}: {listed}."


def plain(measure: str) -> str:
    """Return a measure's name without the unit, for use within a sentence."""
    name = NAMES[measure].rpartition(",")[0] or NAMES[measure]
    return name[:1].lower() + name[1:]
