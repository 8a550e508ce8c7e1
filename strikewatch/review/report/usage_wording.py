"""The account of use in words: what its measures are called, what could not be known and why."""

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Final

from strikewatch.review.report.wording import listed

if TYPE_CHECKING:
    import pandas as pd

NAMES: Final[Mapping[str, str]] = {
    "operating_h": "Operating, h",
    "firing_h": "Firing, h",
    "bouts": "Bouts of firing",
    "blows": "Blows",
    "judged_h": "Judged for blank blows, h",
    "blank_s": "Suspected blank, s",
    "blank_blows": "Blows suspected blank",
    "hot_firing_s": "Firing with hot oil, s",
    "spot_beyond_s": "Beyond the limit in one spot, s",
    "grease_overdue_h": "Operating with grease overdue, h",
    "low_engine_speed_s": "Engine turned down, s",
    "end_of_stroke_s": "At a cylinder's end, s",
    "over_side_s": "Over the side, s",
    "off_square_s": "Off square, s",
    "feed_force_s": "Feed outside its band, s",
    "prying_s": "Loaded from the side, s",
    "submerged_s": "Under water, s",
    "checks_missed": "Walk-round checks missed",
    "inspections_missed": "Inspections missed",
    "services_missed": "Full services missed",
}


def not_known(table: "pd.DataFrame") -> Iterator[str]:
    """A sentence for all hammers of a table of USE that have the same gaps."""
    return _sentences(table, "not_known", "Not known of")


def less_certain(table: "pd.DataFrame") -> Iterator[str]:
    """Likewise of what is inferred only."""
    return _sentences(table[table["amount"] > 0], "less_certain", "Less certain of")


def _sentences(table: "pd.DataFrame", column: str, head: str) -> Iterator[str]:
    alike: dict[tuple[tuple[str, tuple[str, ...]], ...], list[str]] = {}
    for hammer, own in table[table[column] != ""].groupby("hammer", sort=True):
        why = tuple(
            (str(reason), tuple(map(str, rows["measure"])))
            for reason, rows in own.groupby(column, sort=False)
        )
        alike.setdefault(why, []).append(str(hammer))
    for gaps, hammers in alike.items():
        told = "; ".join(f"{listed([plain(name) for name in names])} ({why})" for why, names in gaps)
        yield f"{head} {listed(hammers)}: {told}."


def plain(measure: str) -> str:
    """Its name without the unit, within a sentence."""
    name = NAMES[measure].rpartition(",")[0] or NAMES[measure]
    return name[:1].lower() + name[1:]
