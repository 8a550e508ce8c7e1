"""Compose the report's content from the tables of a review: what to work on, whom to coach, how rates compare."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from strikewatch.review.coaching import Coaching
from strikewatch.review.data.tables import NO_LIMITS, UNASSIGNED, Feeds
from strikewatch.review.highlights import CleanStretch
from strikewatch.review.report import wording
from strikewatch.review.report.content import (
    Card,
    Comparison,
    Figure,
    OperatorPart,
    RateLine,
    ShownHighlight,
    Site,
    comparison_charts,
    weekly_chart,
)
from strikewatch.review.report.hammers import condition_part, usage_part
from strikewatch.review.statistics.comparisons import SiteFault
from strikewatch.review.wear.condition import Condition

if TYPE_CHECKING:
    import pandas as pd

MAX_CARDS: Final = 3
"""The largest number of things to work on: more would not be followed."""
MIN_WEEKS: Final = 3
"""The number of weeks from which a weekly chart is drawn."""
NO_CONDITION: Final = Condition()
PER: Final = {"firing": "firing", "judged": "judged firing", "operating": "operating"}


@dataclass(frozen=True, slots=True)
class Tables:
    """EXPOSURE and FAULTS of the period, their tables of `rates`, and USAGE; `weeks` also covers earlier weeks."""

    exposure: "pd.DataFrame"
    faults: "pd.DataFrame"
    operators: "pd.DataFrame"
    sites: "pd.DataFrame"
    hammers: "pd.DataFrame"
    tools: "pd.DataFrame"
    weeks: "pd.DataFrame"
    use: "pd.DataFrame"


@dataclass(frozen=True, slots=True)
class SiteHighlights:
    """A site's highlights by operator, and each operator's longest clean stretch with its chart."""

    shown: Mapping[str, Sequence[ShownHighlight]]
    clean: Mapping[str, tuple[CleanStretch, str | None]]


def sites(
    tables: Tables,
    highlights: Mapping[str, SiteHighlights],
    coaching: Coaching,
    zones: Mapping[str, ZoneInfo],
    only: str | None,
    condition: Condition = NO_CONDITION,
    feeds: Feeds = NO_LIMITS,
) -> list[Site]:
    """Return each site's part. With `only`, it is for one operator, and nobody else is named."""
    names = sorted(map(str, tables.exposure["site"].unique()))
    return [
        replace(
            _SiteBuilder(tables, name, number, highlights[name], coaching, zones[name], only, feeds).site(),
            condition=None if only else condition_part(condition.of(name), f"site-{number}"),
        )
        for number, name in enumerate(names, 1)
    ]


class _SiteBuilder:
    """Builds one site's part."""

    def __init__(
        self,
        tables: Tables,
        name: str,
        number: int,
        highlights: SiteHighlights,
        coaching: Coaching,
        zone: ZoneInfo,
        only: str | None,
        feeds: Feeds,
    ) -> None:
        self._name, self._anchor = name, f"site-{number}"
        self._highlights, self._coaching, self._zone, self._only = highlights, coaching, zone, only
        self._feeds = feeds
        all_tables = {field: getattr(tables, field) for field in Tables.__slots__}
        here = {field: table[table["site"] == name] for field, table in all_tables.items()}
        self._exposure, self._faults = here["exposure"], here["faults"]
        self._operators, self._weeks = here["operators"], here["weeks"]
        self._totals, self._hammers, self._use = here["sites"], here["hammers"], here["use"]
        self._occurred = [str(row["fault"]) for row in _rows(self._totals) if row["count"]]

    def site(self) -> Site:
        exposure, unassigned = self._exposure, self._exposure["operator"] == UNASSIGNED
        people = sorted({str(name) for name in exposure["operator"]} - {UNASSIGNED}, key=_natural)
        people_shown = [name for name in people if self._only in (None, name)]
        unassigned_rows = self._operators[self._operators["operator"] == UNASSIGNED]
        lines = [self._line(row, UNASSIGNED) for row in _rows(unassigned_rows) if row["count"]]
        none = [str(row["fault"]) for row in _rows(self._totals) if not row["count"]]
        hammers = sorted(map(str, exposure["hammer"].unique()))
        return Site(
            name=self._name,
            anchor=self._anchor,
            for_one=self._only is not None,
            worked=f"{wording.plural(len(people), 'operator')}. {wording.worked(exposure)}",
            cards=self._cards(),
            not_occurred=list(
                wording.faults_without_occurrence(none, self._name, hammers, self._feeds, self._coaching)
            ),
            comparisons=[self._comparison(str(row["fault"])) for row in _rows(self._totals) if row["count"]],
            people=[self._person(name, number) for number, name in enumerate(people_shown, 1)],
            usage=None if self._only else usage_part(self._use),
            hammers=() if self._only else [self._hammer(row) for row in _rows(self._hammers) if row["count"]],
            overall=wording.overall_verdict(self._operators[self._operators["fault"].isin(self._occurred)]),
            uncertain=list(wording.less_certain(self._totals, self._exposure, self._feeds, self._coaching)),
            unassigned=() if self._only else lines,
            unassigned_worked=wording.worked(exposure[unassigned]),
        )

    def _line(self, row: Mapping[str, Any], who: str) -> RateLine:
        fault = str(row["fault"])
        return RateLine(
            who=who,
            fault=fault,
            name=self._coaching.name(fault),
            count=int(row["count"]),
            seconds=float(row["seconds"]),
            hours=float(row["hours"]),
            rate=float(row["rate"]),
            lower=float(row["lower"]),
            upper=float(row["upper"]),
            per=PER[row["over"]],
            standing=row.get("standing", ""),
            verdict=row.get("verdict", ""),
            change=row.get("change_words", ""),
            limits=row["limits"],
            more=wording.further_hours(float(row["more_h"]), row["over"])
            if row["limits"] == "little"
            else "",
            less_certain=int(row.get("less_certain", 0)),
        )

    def _hammer(self, row: Mapping[str, Any]) -> RateLine:
        line = self._line(row, "")
        who = f"{row['hammer']}: {line.name}"
        return replace(line, who=who, verdict=f"{wording.hours(line.seconds / 3600)} at fault")

    def _cards(self) -> list[Card]:
        """Return the faults that have risen first, then the most frequent ones."""
        rows = [row for row in _rows(self._totals) if row["count"]]
        rows.sort(key=lambda row: (row["changed"] != "more", -row["rate"]))
        return [self._card(row) for row in rows[:MAX_CARDS]]

    def _card(self, row: Mapping[str, Any]) -> Card:
        line = self._line(row, self._name)
        note = self._coaching.notes.get(line.fault)
        rows = self._operators[self._operators["fault"] == line.fault]
        above = sorted(rows[rows["standing"] == "above"]["operator"], key=_natural)
        spread = "" if self._only else wording.fault_spread(rows, above)
        by_hammer = wording.by_hammer(self._on_hammers(row), above, names=not self._only)
        text = " ".join(filter(None, [spread, *by_hammer, self._inferred(line)]))
        return Card(line, text, note.instead[0] if note else "")

    def _on_hammers(self, row: Mapping[str, Any]) -> SiteFault:
        rate, upper, dispersion = (float(row[name]) for name in ("rate", "upper", "dispersion"))
        frames = self._exposure, self._faults
        return SiteFault(self._name, str(row["fault"]), *frames, self._feeds, rate, upper, dispersion)

    def _inferred(self, line: RateLine) -> str:
        """Say how many of a fault are less certain."""
        rows = self._faults[(self._faults["fault"] == line.fault) & (self._faults["count"] == 1)]
        inferred = sum(map(bool, self._feeds.uncertainties(rows)))
        return f"{inferred} of {line.count} are less certain: see below." if inferred else ""

    def _comparison(self, fault: str) -> Comparison:
        compared = self._operators[
            (self._operators["fault"] == fault) & (self._operators["operator"] != UNASSIGNED)
        ]
        rows = sorted(_rows(compared), key=lambda row: _natural(row["operator"]))
        lines = [
            self._line(row, str(row["operator"])) for row in rows if self._only in (None, row["operator"])
        ]
        per = PER[rows[0]["over"]] if rows else PER["firing"]
        name, worked = self._coaching.name(fault), [row for row in rows if row["hours"] > 0]
        if len(worked) < 2:
            return Comparison(fault, name, per, lines, why_none="There is no other operator to compare with.")
        pictures = comparison_charts(f"{self._anchor}-{fault}", name, per, worked, self._only)
        return Comparison(fault, name, per, lines, pictures)

    def _person(self, operator: str, number: int) -> OperatorPart:
        anchor = f"{self._anchor}-p{number}"
        rows = list(_rows(self._operators[self._operators["operator"] == operator]))
        lines = [self._line(row, operator) for row in rows]
        faults = [line.fault for line in lines]
        exposure = self._exposure[self._exposure["operator"] == operator]
        shown = self._highlights.shown.get(operator, ())
        return OperatorPart(
            operator=operator,
            anchor=anchor,
            worked=wording.worked(exposure),
            lines=lines,
            coach=[line.name for line in lines if line.standing == "above"],
            summary=wording.summary(lines, float(exposure["firing_s"].sum()), self._occurred),
            weeks=self._by_week(operator, anchor, lines),
            highlights=sorted(shown, key=lambda each: faults.index(each.highlight.fault)),
            went_well=self._went_well(operator, rows),
            clean_stretch=self._clean_stretch(operator),
        )

    def _went_well(self, operator: str, rows: Sequence[Mapping[str, Any]]) -> list[str]:
        stretch = self._highlights.clean.get(operator)
        sentences = [wording.clean_stretch(stretch[0], self._zone)] if stretch else []
        for row in rows:
            name = self._coaching.name(str(row["fault"]))
            if row["standing"] == "below":
                sentences.append(f"{name}: {row['verdict'][:1].lower()}{row['verdict'][1:]}")
            if row["changed"] == "fewer":
                sentences.append(f"{name}: {row['change_words'][:1].lower()}{row['change_words'][1:]}")
        return [text if text.endswith(".") else f"{text}." for text in sentences]

    def _clean_stretch(self, operator: str) -> Figure | None:
        _, svg = self._highlights.clean.get(operator, (None, None))
        return Figure(svg, "") if svg else None

    def _by_week(self, operator: str, anchor: str, lines: Sequence[RateLine]) -> list[Figure]:
        rows = self._weeks[self._weeks["operator"] == operator]
        by_fault = [(line, rows[rows["fault"] == line.fault]) for line in lines]
        return [
            weekly_chart(f"{anchor}-{line.fault}", line.name, weeks)
            for line, weeks in by_fault
            if len(weeks) >= MIN_WEEKS and weeks["count"].sum()
        ]


def _rows(table: "pd.DataFrame") -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _natural(name: str) -> tuple[list[tuple[bool, int, str]], str]:
    """Return a sort key that orders ids naturally: op-9 before op-10."""
    parts: list[tuple[bool, int, str]] = []
    text = ""
    for letter in [*name, ""]:
        if text and (not letter or letter.isdecimal() != text[-1].isdecimal()):
            parts.append((text[0].isdecimal(), int(text) if text[0].isdecimal() else 0, text))
            text = ""
        text += letter
    return parts, name
