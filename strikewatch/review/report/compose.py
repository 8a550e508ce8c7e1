"""From the tables of a review to what the report says of a site: what to work on, whom to coach, how rates compare."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from strikewatch.review import rates
from strikewatch.review.coaching import Coaching
from strikewatch.review.condition import Condition
from strikewatch.review.frames import UNASSIGNED
from strikewatch.review.moments import Clean
from strikewatch.review.report import figures, words
from strikewatch.review.report.condition_part import part
from strikewatch.review.report.content import Card, Comparison, Line, Person, Picture, Shown, Site
from strikewatch.review.report.use_part import account

if TYPE_CHECKING:
    import pandas as pd

CARDS: Final = 3
"""So many things to work on; more are none."""
WEEKS: Final = 3
"""From so many weeks on they are shown one by one."""
NOTHING_TOLD: Final = Condition()
PER: Final = {"firing": "firing", "judged": "judged firing", "operating": "operating"}


@dataclass(frozen=True, slots=True)
class Tables:
    """EXPOSURE and FAULTS of the period, what `rates` makes of them, and the account of USE; `weeks` reach back before
    it."""

    exposure: "pd.DataFrame"
    faults: "pd.DataFrame"
    operators: "pd.DataFrame"
    sites: "pd.DataFrame"
    hammers: "pd.DataFrame"
    tools: "pd.DataFrame"
    weeks: "pd.DataFrame"
    use: "pd.DataFrame"


@dataclass(frozen=True, slots=True)
class Seen:
    """What samples show of operators of a site: moments, and the longest clean stretch with its picture."""

    shown: Mapping[str, Sequence[Shown]]
    clean: Mapping[str, tuple[Clean, str | None]]


def sites(
    tables: Tables,
    seen: Mapping[str, Seen],
    coaching: Coaching,
    zones: Mapping[str, ZoneInfo],
    only: str | None,
    condition: Condition = NOTHING_TOLD,
) -> list[Site]:
    """Each site's part. With `only` it is for one operator: nobody else is named in it."""
    names = sorted(map(str, tables.exposure["site"].unique()))
    return [
        replace(
            _Composed(tables, name, number, seen[name], coaching, zones[name], only).site(),
            condition=None if only else part(condition.of(name), f"site-{number}"),
        )
        for number, name in enumerate(names, 1)
    ]


class _Composed:
    """One site's part in the making."""

    def __init__(
        self,
        tables: Tables,
        name: str,
        number: int,
        seen: Seen,
        coaching: Coaching,
        zone: ZoneInfo,
        only: str | None,
    ) -> None:
        self._name, self._anchor = name, f"site-{number}"
        self._seen, self._coaching, self._zone, self._only = seen, coaching, zone, only
        every = {field: getattr(tables, field) for field in Tables.__slots__}
        own = {field: table[table["site"] == name] for field, table in every.items()}
        self._exposure, self._faults = own["exposure"], own["faults"]
        self._operators, self._weeks = own["operators"], own["weeks"]
        self._totals, self._hammers, self._use = own["sites"], own["hammers"], own["use"]

    def site(self) -> Site:
        exposure, unassigned = self._exposure, self._exposure["operator"] == UNASSIGNED
        people = sorted({str(one) for one in exposure["operator"]} - {UNASSIGNED}, key=_natural)
        shown = [one for one in people if self._only in (None, one)]
        nobodys = self._operators[self._operators["operator"] == UNASSIGNED]
        lines = [self._line(row, UNASSIGNED) for row in _rows(nobodys) if row["count"]]
        return Site(
            name=self._name,
            anchor=self._anchor,
            for_one=self._only is not None,
            worked=f"{words.many(len(people), 'operator')}. {words.worked(exposure)}",
            cards=self._cards(),
            quiet=self._quiet(),
            comparisons=[self._comparison(str(row["fault"])) for row in _rows(self._totals) if row["count"]],
            people=[self._person(one, number) for number, one in enumerate(shown, 1)],
            account=None if self._only else account(self._use),
            hammers=() if self._only else [self._hammer(row) for row in _rows(self._hammers) if row["count"]],
            judged=bool(self._operators["standing"].isin(["above", "below", "within"]).any()),
            unassigned=() if self._only else lines,
            unassigned_worked=words.worked(exposure[unassigned]),
        )

    def _line(self, row: Mapping[str, Any], who: str) -> Line:
        fault = str(row["fault"])
        return Line(
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
        )

    def _hammer(self, row: Mapping[str, Any]) -> Line:
        line = self._line(row, "")
        who = f"{row['hammer']}: {line.name}"
        return replace(line, who=who, verdict=f"{words.hours(line.seconds / 3600)} at fault")

    def _cards(self) -> list[Card]:
        """What has risen first, then what there is most of."""
        rows = [row for row in _rows(self._totals) if row["count"]]
        rows.sort(key=lambda row: (row["changed"] != "more", -row["rate"]))
        return [self._card(row) for row in rows[:CARDS]]

    def _card(self, row: Mapping[str, Any]) -> Card:
        line = self._line(row, self._name)
        note = self._coaching.notes.get(line.fault)
        own = self._operators[self._operators["fault"] == line.fault]
        above = own[own["standing"] == "above"]["operator"].tolist()
        if self._only:
            spread = ""
        elif above:
            spread = (
                f"Above the others: {words.listed(sorted(above, key=_natural))}. Begin the coaching there."
            )
        elif (own["standing"].isin(["within", "below"])).sum() >= 2:
            spread = "Spread over the operators: a matter for all, and for how work is set up."
        else:
            spread = "Too little yet to say whether it is some or all."
        said = " ".join(filter(None, [spread, self._by_hammer(line, above)]))
        return Card(line, said, note.instead[0] if note else "")

    def _by_hammer(self, line: Line, above: Sequence[str]) -> str:
        """Where a hammer has clearly more of a fault than all together, in several hands, not counting those above."""
        exposure, faults = (table[~table["operator"].isin(above)] for table in (self._exposure, self._faults))
        table = rates.groups(exposure, faults, by=["site", "hammer"])
        own = table[(table["fault"] == line.fault) & (table["lower"] > line.upper)]
        hands = exposure.groupby("hammer")["operator"].nunique()
        more = [str(one) for one in own["hammer"] if hands.get(one, 0) > 1]
        return f"More of it on {words.listed(more)}, in whosever hands: have that looked at." if more else ""

    def _quiet(self) -> list[str]:
        none = [self._coaching.name(str(row["fault"])) for row in _rows(self._totals) if not row["count"]]
        return [f"None in this time of: {', '.join(none).lower()}."] if none else []

    def _comparison(self, fault: str) -> Comparison:
        own = self._operators[
            (self._operators["fault"] == fault) & (self._operators["operator"] != UNASSIGNED)
        ]
        rows = sorted(_rows(own), key=lambda row: _natural(row["operator"]))
        lines = [
            self._line(row, str(row["operator"])) for row in rows if self._only in (None, row["operator"])
        ]
        per = PER[rows[0]["over"]] if rows else PER["firing"]
        name, worked = self._coaching.name(fault), [row for row in rows if row["hours"] > 0]
        if len(worked) < 2:
            return Comparison(fault, name, per, lines, why_none="There is nobody to compare with.")
        pictures = figures.compared(f"{self._anchor}-{fault}", name, per, worked, self._only)
        return Comparison(fault, name, per, lines, pictures)

    def _person(self, operator: str, number: int) -> Person:
        anchor = f"{self._anchor}-p{number}"
        rows = list(_rows(self._operators[self._operators["operator"] == operator]))
        lines = [self._line(row, operator) for row in rows]
        faults = [line.fault for line in lines]
        exposure = self._exposure[self._exposure["operator"] == operator]
        return Person(
            operator=operator,
            anchor=anchor,
            worked=words.worked(exposure),
            lines=lines,
            coach=[line.name for line in lines if line.standing == "above"],
            summary=_summary(lines, float(exposure["firing_s"].sum())),
            weeks=self._by_week(operator, anchor, lines),
            shown=sorted(self._seen.shown.get(operator, ()), key=lambda one: faults.index(one.moment.fault)),
            good=self._good(operator, rows),
            clean=self._clean(operator),
        )

    def _good(self, operator: str, rows: Sequence[Mapping[str, Any]]) -> list[str]:
        stretch = self._seen.clean.get(operator)
        said = [words.clean(stretch[0], self._zone)] if stretch else []
        for row in rows:
            name = self._coaching.name(str(row["fault"]))
            if row["standing"] == "below":
                said.append(f"{name}: {row['verdict'][:1].lower()}{row['verdict'][1:]}")
            if row["changed"] == "fewer":
                said.append(f"{name}: {row['change_words'][:1].lower()}{row['change_words'][1:]}")
        return [one if one.endswith(".") else f"{one}." for one in said]

    def _clean(self, operator: str) -> Picture | None:
        _, svg = self._seen.clean.get(operator, (None, None))
        return Picture(svg, "") if svg else None

    def _by_week(self, operator: str, anchor: str, lines: Sequence[Line]) -> list[Picture]:
        own = self._weeks[self._weeks["operator"] == operator]
        by_fault = [(line, own[own["fault"] == line.fault]) for line in lines]
        return [
            figures.week_by_week(f"{anchor}-{line.fault}", line.name, weeks)
            for line, weeks in by_fault
            if len(weeks) >= WEEKS and weeks["count"].sum()
        ]


def _summary(lines: Sequence[Line], firing_s: float) -> str:
    if not firing_s:
        return "Did not fire in this time"
    if not any(line.count for line in lines):
        return "No fault in this time"
    if all(line.standing == "little" for line in lines):
        return "Too little to judge yet"
    return "Nothing stands out"


def _rows(table: "pd.DataFrame") -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _natural(name: str) -> tuple[list[tuple[bool, int, str]], str]:
    """Order of ids as people count: op-9 before op-10."""
    parts: list[tuple[bool, int, str]] = []
    text = ""
    for letter in [*name, ""]:
        if text and (not letter or letter.isdecimal() != text[-1].isdecimal()):
            parts.append((text[0].isdecimal(), int(text) if text[0].isdecimal() else 0, text))
            text = ""
        text += letter
    return parts, name
