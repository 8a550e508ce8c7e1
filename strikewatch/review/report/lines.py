"""Rows of the tables of rates as lines and tables of the report; what to do next, and how sure that is."""

from collections.abc import Iterator, Mapping, Sequence
from math import isfinite, nan
from typing import TYPE_CHECKING, Any, Final

from strikewatch.review.coaching import Coaching
from strikewatch.review.data.schemas import UNASSIGNED
from strikewatch.review.report.content import Action, Card, Comparison, OperatorPart, RateLine, RateTable
from strikewatch.review.report.pictures import comparison_charts
from strikewatch.review.report.wording import (
    NOT_ENOUGH,
    SPREAD_OVER_ALL,
    further_hours,
    join_names,
    plural,
    upper_first,
)
from strikewatch.review.statistics.formatting import format_ratio, round_hours

if TYPE_CHECKING:
    import pandas as pd


PER: Final = {"firing": "firing", "judged": "judged firing", "operating": "operating"}
MIN_UNASSIGNED_SHARE: Final = 0.05
"""Share of the firing with nobody signed on from which it is worth acting on."""


def rate_line(row: Mapping[str, Any], who: str, name: str) -> RateLine:
    """Return a row of OPERATORS, SITES or GROUPS as a line; `name`: of the fault."""
    return RateLine(
        who=who,
        fault=str(row["fault"]),
        name=name,
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
        more=further_hours(float(row["more_h"]), row["over"]) if row["limits"] == "little" else "",
        less_certain=int(row.get("less_certain", 0)),
        ratio=float(row.get("ratio", nan)),
    )


def by_operator(compared: "pd.DataFrame", people: Sequence[str], coaching: Coaching) -> RateTable:
    """Return the rates of faults on which somebody can be judged, and that at least two worked, from OPERATORS."""
    faults = []
    for fault, of_fault in compared.groupby("fault", sort=False):
        judged = of_fault["standing"].isin(["above", "within", "below"])
        if judged.any() and of_fault["count"].any() and (of_fault["hours"] > 0).sum() >= 2:
            faults.append(str(fault))
    return _table(compared, "operator", people, faults, coaching) if faults else RateTable()


def by_hammer(table: "pd.DataFrame", faults: Sequence[str], coaching: Coaching) -> RateTable:
    """Return the rates of all hammers from GROUPS by hammer."""
    return _table(table, "hammer", sorted(set(table["hammer"]), key=natural_key), faults, coaching)


def _table(
    table: "pd.DataFrame", by: str, names: Sequence[str], faults: Sequence[str], coaching: Coaching
) -> RateTable:
    lines = {
        (str(row[by]), str(row["fault"])): rate_line(row, str(row[by]), coaching.name(str(row["fault"])))
        for row in records(table)
    }
    return RateTable(
        faults,
        [coaching.name(fault) for fault in faults],
        [(name, [lines.get((name, fault)) for fault in faults]) for name in names],
    )


def comparison(of_fault: "pd.DataFrame", anchor: str, coaching: Coaching, only: str | None) -> Comparison:
    """Return a fault compared over operators, from its rows of OPERATORS; with `only`, nobody else is named."""
    ordered = sorted(records(of_fault), key=lambda row: natural_key(row["operator"]))
    fault, per = str(ordered[0]["fault"]), PER[ordered[0]["over"]]
    worked = [row for row in ordered if row["hours"] > 0]
    name = coaching.name(fault)
    return Comparison(fault, name, per, comparison_charts(f"{anchor}-{fault}", name, per, worked, only))


def records(table: "pd.DataFrame") -> list[dict[str, Any]]:
    """Return the rows of a table, by column name."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def natural_key(name: str) -> tuple[list[tuple[bool, int, str]], str]:
    """Return a sort key that orders ids naturally: op-9 before op-10."""
    parts: list[tuple[bool, int, str]] = []
    text = ""
    for letter in [*name, ""]:
        if text and (not letter or letter.isdecimal() != text[-1].isdecimal()):
            parts.append((text[0].isdecimal(), int(text) if text[0].isdecimal() else 0, text))
            text = ""
        text += letter
    return parts, name


def actions(
    people: Sequence[OperatorPart],
    cards: Sequence[Card],
    inspect: Mapping[str, Sequence[str]],
    overall: str,
    exposure: "pd.DataFrame",
    anchor: str,
) -> Iterator[Action]:
    """Yield what to do next: whom to coach, which hammer to inspect, what to raise with everybody, what to find out.

    `inspect`: faults that follow a hammer, by hammer. `exposure`: rows of EXPOSURE of the site.
    """
    for person in people:
        if person.topics:
            topics = join_names([topic.name.lower() for topic in person.topics])
            ratios = [format_ratio(topic.ratio) for topic in person.topics]
            known = len(ratios) > 1 and all(isfinite(topic.ratio) for topic in person.topics)
            why = f"{join_names(ratios)} times the others' rate." if known else person.topics[0].why
            yield Action(f"Coach {person.operator} on {topics}.", why, person.anchor)
    for hammer, faults in sorted(inspect.items()):
        what = join_names([fault.lower() for fault in faults])
        yield Action(
            f"Have {hammer} inspected.", f"More often there with every operator: {what}.", f"{anchor}-hammers"
        )
    for card in cards:
        if card.spread.startswith(SPREAD_OVER_ALL):
            rate = f"{card.line.count} in {card.line.hours:.0f} h, spread over all operators."
            yield Action(f"Raise {card.line.name.lower()} with everybody.", rate, f"{anchor}-work")
    if overall.startswith(NOT_ENOUGH) and not any(person.topics for person in people):
        yield Action("Coach nobody on these numbers yet.", overall, f"{anchor}-sure")
    firing_s = exposure["firing_s"].sum()
    unassigned_s = exposure.loc[exposure["operator"] == UNASSIGNED, "firing_s"].sum()
    if firing_s and unassigned_s >= MIN_UNASSIGNED_SHARE * firing_s:
        share = f"{100 * unassigned_s / firing_s:.0f} % of the firing was with nobody signed on, and counts for nobody."
        yield Action("See that operators sign on.", share)


def who_can_be_judged(operators: "pd.DataFrame", coaching: Coaching) -> Iterator[str]:
    """Yield, for the faults that occurred, who cannot be judged on them yet, and what would settle it."""
    compared = operators[operators["standing"] != ""]
    faults_by_words: dict[str, list[str]] = {}
    for fault, rows in compared.groupby("fault", sort=False):
        if not rows["count"].any():
            continue
        little = rows[rows["standing"] == "little"]
        some = f"{len(little)} of {plural(len(rows), 'operator')} cannot be judged yet"
        who = "nobody can be judged yet" if len(little) == len(rows) else some
        words = f"{who}. {_settles(little)}" if len(little) else "everybody can be judged."
        faults_by_words.setdefault(words, []).append(coaching.name(str(fault)).lower())
    for words, faults in faults_by_words.items():
        yield upper_first(f"{join_names(faults)}: {words.rstrip()}")
    if len(compared):
        yield "Chance alone singles out anybody in at most one of 20 reviews."


def _settles(rows: "pd.DataFrame") -> str:
    """Say how many further hours would settle the verdicts of these rows of OPERATORS."""
    known: Any = rows["settle_h"].dropna()
    if known.empty:
        return "Too few occurred to compare operators." if (rows["hours"] > 0).any() else ""
    about = round_hours(float(known.max()), rows["over"].iloc[0])
    return f"{upper_first(about)} {'each ' if len(rows) > 1 else ''}would settle it."
