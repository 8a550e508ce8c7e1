"""Compose the report's content from the tables of a review: what to do next, whom to coach, how rates compare."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from strikewatch.review.coaching import Coaching
from strikewatch.review.data.schemas import UNASSIGNED
from strikewatch.review.data.tables import NO_LIMITS, Feeds
from strikewatch.review.highlights import CleanStretch
from strikewatch.review.report import lines, wording
from strikewatch.review.report.content import (
    Card,
    OperatorPart,
    RateLine,
    RateTable,
    ShownHighlight,
    Site,
    Topic,
)
from strikewatch.review.report.hammers import condition_part, usage_part
from strikewatch.review.report.lines import (
    by_hammer,
    by_operator,
    comparison,
    natural_key,
    rate_line,
    records,
)
from strikewatch.review.report.pictures import progress_chart
from strikewatch.review.statistics.comparisons import SiteFault, hammers_above
from strikewatch.review.wear.condition import Condition

if TYPE_CHECKING:
    import pandas as pd

MAX_CARDS: Final = 3
"""The largest number of things to work on: more would not be followed."""
NO_CONDITION: Final = Condition()


@dataclass(frozen=True, slots=True)
class Tables:
    """EXPOSURE and FAULTS of the period, their tables of `rates`, and USAGE.

    `weeks` also covers earlier weeks; `talks` are those of these weeks (EFFECTS).
    """

    exposure: "pd.DataFrame"
    faults: "pd.DataFrame"
    operators: "pd.DataFrame"
    sites: "pd.DataFrame"
    hammers: "pd.DataFrame"
    tools: "pd.DataFrame"
    weeks: "pd.DataFrame"
    use: "pd.DataFrame"
    talks: "pd.DataFrame"


@dataclass(frozen=True, slots=True)
class SiteHighlights:
    """A site's highlights and longest clean stretches, by operator."""

    shown: Mapping[str, Sequence[ShownHighlight]]
    clean: Mapping[str, CleanStretch]


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
        self._operators, self._weeks, self._talks = here["operators"], here["weeks"], here["talks"]
        self._totals, self._hammers, self._use = here["sites"], here["hammers"], here["use"]
        self._occurred = [str(row["fault"]) for row in records(self._totals) if row["count"]]

    def site(self) -> Site:
        exposure, unassigned = self._exposure, self._exposure["operator"] == UNASSIGNED
        names = sorted({str(name) for name in exposure["operator"]} - {UNASSIGNED}, key=natural_key)
        names_shown = [name for name in names if self._only in (None, name)]
        unassigned_rows = self._operators[self._operators["operator"] == UNASSIGNED]
        overall = wording.overall_verdict(self._operators[self._operators["fault"].isin(self._occurred)])
        people = [self._person(name, number) for number, name in enumerate(names_shown, 1)]
        signed_on = self._operators[self._operators["operator"] != UNASSIGNED]
        compared = signed_on[signed_on["fault"].isin(self._occurred)]
        table = by_operator(compared, names_shown, self._coaching)
        cards = self._cards()
        for_site = self._only is None
        return Site(
            name=self._name,
            anchor=self._anchor,
            for_one=not for_site,
            worked=f"{wording.plural(len(names), 'operator')}. {wording.worked(exposure)}",
            actions=list(
                lines.actions(
                    people,
                    cards if for_site else (),
                    self._inspect() if for_site else {},
                    overall,
                    exposure if for_site else exposure[~unassigned],
                    self._anchor,
                )
            ),
            cards=cards,
            overall=overall,
            improved=list(self._changes("fewer", people)),
            worse=list(self._changes("more", people)),
            open_talks=[*self._talk_sentences("same"), *self._talk_sentences("little")],
            certainty=[*self._certainty(overall), *self._absent(names)],
            people=people,
            table=table,
            comparisons=[
                comparison(compared[compared["fault"] == fault], self._anchor, self._coaching, self._only)
                for fault in table.faults
            ],
            usage=usage_part(self._use) if for_site else None,
            hammers=by_hammer(self._hammers, self._occurred, self._coaching) if for_site else RateTable(),
            unassigned=[self._line(row, UNASSIGNED) for row in records(unassigned_rows) if row["count"]]
            if for_site
            else (),
            unassigned_worked=wording.worked(exposure[unassigned]),
        )

    def _line(self, row: Mapping[str, Any], who: str) -> RateLine:
        return rate_line(row, who, self._coaching.name(str(row["fault"])))

    def _cards(self) -> list[Card]:
        """Return the faults that have risen first, then the most frequent ones."""
        rows = [row for row in records(self._totals) if row["count"]]
        rows.sort(key=lambda row: (row["changed"] != "more", -row["rate"]))
        return [self._card(row) for row in rows[:MAX_CARDS]]

    def _card(self, row: Mapping[str, Any]) -> Card:
        line = self._line(row, self._name)
        note = self._coaching.notes.get(line.fault)
        above = self._above(line.fault)
        rows = self._operators[self._operators["fault"] == line.fault]
        spread = "" if self._only else wording.fault_spread(rows, above)
        by_hammer = wording.by_hammer(self._on_hammers(row), above, names=not self._only)
        text = " ".join(filter(None, [spread, *by_hammer, self._inferred(line)]))
        return Card(line, text, note.instead[0] if note else "")

    def _above(self, fault: str) -> list[str]:
        rows = self._operators[self._operators["fault"] == fault]
        return sorted(rows[rows["standing"] == "above"]["operator"], key=natural_key)

    def _on_hammers(self, row: Mapping[str, Any]) -> SiteFault:
        rate, upper, dispersion = (float(row[name]) for name in ("rate", "upper", "dispersion"))
        frames = self._exposure, self._faults
        return SiteFault(self._name, str(row["fault"]), *frames, self._feeds, rate, upper, dispersion)

    def _inspect(self) -> dict[str, list[str]]:
        """Return the faults that follow a hammer with all its operators, by hammer."""
        found: dict[str, list[str]] = {}
        for row in records(self._totals):
            if row["count"]:
                for hammer, follows in hammers_above(self._on_hammers(row), self._above(str(row["fault"]))):
                    if follows == "hammer":
                        found.setdefault(hammer, []).append(self._coaching.name(str(row["fault"])))
        return found

    def _inferred(self, line: RateLine) -> str:
        """Say how many of a fault are less certain."""
        rows = self._faults[(self._faults["fault"] == line.fault) & (self._faults["count"] == 1)]
        inferred = sum(map(bool, self._feeds.uncertainties(rows)))
        return f"{inferred} of {line.count} are less certain: see below." if inferred else ""

    def _changes(self, changed: str, people: Sequence[OperatorPart]) -> Iterator[str]:
        """Yield sentences on what changed in one direction: at the site, then by operator."""
        for row in records(self._totals):
            if row["changed"] == changed:
                yield f"{self._coaching.name(str(row['fault']))}: {wording.lower_first(row['change_words'])}"
        for person in people:
            for row in records(self._operators[self._operators["operator"] == person.operator]):
                if row["changed"] == changed:
                    what = self._coaching.name(str(row["fault"])).lower()
                    yield f"{person.operator}, {what}: {wording.lower_first(row['change_words'])}"
        yield from self._talk_sentences(changed)

    def _talk_sentences(self, changed: str) -> Iterator[str]:
        """Yield a sentence for each talk with this result."""
        for row in records(self._talks.sort_values("coached")):
            if row["changed"] == changed and self._only in (None, row["operator"]):
                yield f"{row['operator']}, {self._talk(row)}"

    def _talk(self, row: Mapping[str, Any]) -> str:
        """Say what came of a talk."""
        at = wording.day(int(row["coached"].as_unit("ns").value), self._zone)
        return f"{self._coaching.name(str(row['fault'])).lower()}, coached {at}: {wording.lower_first(row['words'])}"

    def _certainty(self, overall: str) -> Iterator[str]:
        """Yield the sentences on how far the results can be trusted; `overall`: the first, if not empty."""
        if overall:
            yield overall
        occurred = self._operators[self._operators["fault"].isin(self._occurred)]
        yield from lines.who_can_be_judged(occurred, self._coaching)
        hammers = sorted(map(str, self._exposure["hammer"].unique()))
        none = [str(row["fault"]) for row in records(self._totals) if not row["count"]]
        yield from wording.faults_without_occurrence(none, self._name, hammers, self._feeds, self._coaching)
        yield from wording.less_certain(self._totals, self._exposure, self._feeds, self._coaching)

    def _absent(self, names: Sequence[str]) -> Iterator[str]:
        """Say which operators were coached but did not work in the period: the id may be mistyped."""
        coached = {str(name) for name in self._talks["operator"]} - set(names)
        if coached and not self._only:
            listed = wording.join_names(sorted(coached, key=natural_key))
            yield f"Coached, but without work in this period: {listed}. If that is not right, check the id."

    def _person(self, operator: str, number: int) -> OperatorPart:
        anchor = f"{self._anchor}-p{number}"
        rows = records(self._operators[self._operators["operator"] == operator])
        lines = [
            self._line(row if row["changed"] in ("more", "fewer") else row | {"change_words": ""}, operator)
            for row in rows
        ]
        exposure = self._exposure[self._exposure["operator"] == operator]
        shown = self._highlights.shown.get(operator, ())
        effects = self._talks[self._talks["operator"] == operator].sort_values("coached")
        talks = records(effects)
        # faults to coach come first, then those coached before, then the most frequent
        coached_on = {str(row["fault"]) for row in talks}
        order = sorted(
            lines, key=lambda line: (line.standing != "above", line.fault not in coached_on, -line.count)
        )
        faults = [line.fault for line in order]
        weeks = self._weeks[self._weeks["operator"] == operator]
        names = {line.fault: line.name for line in order}
        absent = [line for line in order if not line.count and line.standing in ("within", "little")]
        return OperatorPart(
            operator=operator,
            anchor=anchor,
            worked=wording.worked(exposure),
            lines=[line for line in order if line not in absent],
            none=list(wording.none_of(absent)),
            topics=[self._topic(line, talks) for line in order if line.standing == "above"],
            summary=wording.summary(lines, float(exposure["firing_s"].sum()), self._occurred),
            progress=progress_chart(f"{anchor}-weeks", operator, names, weeks, effects, self._zone),
            talks=[wording.upper_first(self._talk(row)) for row in talks],
            highlights=sorted(shown, key=lambda each: faults.index(each.highlight.fault)),
            went_well=self._went_well(operator, rows),
        )

    def _topic(self, line: RateLine, talks: Sequence[Mapping[str, Any]]) -> Topic:
        note = self._coaching.notes.get(line.fault)
        earlier = [wording.upper_first(self._talk(row)) for row in talks if row["fault"] == line.fault]
        advice, ask = (note.instead[0], note.ask) if note else ("", "")
        return Topic(
            line.fault, line.name, f"{line.verdict.partition('. ')[0]}.", line.ratio, earlier, advice, ask
        )

    def _went_well(self, operator: str, rows: Sequence[Mapping[str, Any]]) -> list[str]:
        stretch = self._highlights.clean.get(operator)
        sentences = [wording.clean_stretch(stretch, self._zone)] if stretch else []
        for row in rows:
            name = self._coaching.name(str(row["fault"]))
            if row["standing"] == "below":
                sentences.append(f"{name}: {wording.lower_first(row['verdict'])}")
            if row["changed"] == "fewer":
                sentences.append(f"{name}: {wording.lower_first(row['change_words'])}")
        return sentences
