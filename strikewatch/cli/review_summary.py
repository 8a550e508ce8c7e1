"""Print a review's summary in the terminal: what to do next, then the rates of operators, for 80 columns."""

from collections.abc import Iterable, Iterator, Sequence

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from strikewatch.cli.output import plain_table
from strikewatch.disclaimer import CAUTION
from strikewatch.review.charts.drawing import format_number
from strikewatch.review.report import hammers
from strikewatch.review.report.content import OperatorPart, RateLine, Report, Site, WearAndTools

RIGHT = ("count", "per hour", "95 % limits")
SIGNS = {"above": "▲", "below": "▼", "within": "●", "little": "□", "": " "}


def show(console: Console, report: Report, written: Sequence[str]) -> None:
    """Print a summary of the report; `written`: the files that were written."""
    console.print(Text.assemble(("The trainer's review", "bold"), f"  {report.period}"))
    for sentence in report.notes:
        console.print(sentence, style="yellow")
    if report.nothing:
        console.print(report.nothing)
    for site in report.sites:
        _site(console, site)
    if report.sites:
        console.print()
        console.print("▲ above, ▼ below the others; ● like the others; □ not enough data.", style="dim")
        for sentence in _signs(report):
            console.print(sentence, style="dim")
        console.print(CAUTION, style="dim")
    for path in written:
        console.print(f"Written: {path}", highlight=False)
    if report.sites and not written:
        console.print("The whole report: --html review.html, or --pdf review.pdf.", style="dim")
        console.print("Usage of the hammers: strikewatch usage.", style="dim")


def _site(console: Console, site: Site) -> None:
    console.print()
    console.print(f"{site.name}: what to do next", style="bold")
    for number, action in enumerate(site.actions, 1):
        console.print(Text.assemble((f"{number}. {action.what}", "bold")))
        console.print(Padding(action.why, (0, 0, 0, 3), expand=False))
    if not site.actions:
        nothing = (
            "Nothing that needs action stands out." if site.cards else "No operator faults in this period."
        )
        console.print(site.overall or nothing)
    console.print(site.worked, style="dim")
    for heading, sentences in (
        ("What improved", site.improved),
        ("What got worse", site.worse),
        ("Coached, no clear change yet", site.open_talks),
        ("How sure this is", site.certainty),
    ):
        if sentences:
            console.print()
            console.print(heading, style="bold")
            for sentence in sentences:
                console.print(Padding(sentence, (0, 0, 0, 2), expand=False))
    console.print()
    console.print("What the site should work on", style="bold")
    for card in site.cards:
        line = card.line
        rate = f"{format_number(line.rate)} per {line.per} hour ({_limits(line, long=True)})"
        words = f"{line.name}: {rate}. {card.spread} {line.change}".rstrip()
        console.print(Padding(words, (0, 0, 0, 2), expand=False))
    console.print()
    console.print(_people(site.people))
    if site.unassigned:
        console.print()
        console.print(f"With nobody signed on: {site.unassigned_worked}")
        console.print(_lines((line.name, line) for line in site.unassigned))
    if site.condition:
        _condition(console, site.condition)


def _signs(report: Report) -> Iterator[str]:
    """Yield the meaning of each mark next to counts and limits that is used."""
    lines = [line for site in report.sites for person in site.people for line in person.lines]
    lines += [
        line for site in report.sites for line in (*site.unassigned, *(card.line for card in site.cards))
    ]
    if any(line.limits == "widened" for line in lines):
        yield "≈: approximate limits, widened because counts vary more between days than by chance; others are exact."
    if any(line.less_certain for line in lines):
        yield "(n?): n of the count are less certain, inferred because the feed shows less."


def _condition(console: Console, section: WearAndTools) -> None:
    console.print()
    console.print("Wear and tools", style="bold")
    for inspected in section.inspected:
        console.print(f"{inspected.hammer}, {inspected.when}. {inspected.verdict} {inspected.why}")
        for each in inspected.readings:
            trend = each.picture.caption if each.picture else each.trend
            console.print(Padding(f"{each.latest} {trend}", (0, 0, 0, 2), expand=False))
    for fitting in section.condition.fitted:
        if fitting.note:
            console.print(f"{fitting.hammer}: {fitting.note}")
    if section.condition.groups:
        table = _table("tools", "count", "ended", "median life", "95 % limits")
        for group in section.condition.groups:
            table.add_row(group.name, str(group.tools), str(group.ended), *hammers.median_life(group))
        console.print(table)
        console.print(hammers.SURVIVAL_NOTE, style="dim")


def _people(people: Iterable[OperatorPart]) -> Table:
    table = _table("operator", "fault", "count", "per hour", "95 % limits", "")
    for person in people:
        who = person.operator
        lines = [line for line in person.lines if line.count or line.standing == "below"]
        if not lines:
            table.add_row(who, Text(person.summary, "dim"))
        for line in lines:
            table.add_row(who, *_cells(line.name, line))
            who = ""
    return table


def _lines(lines: Iterable[tuple[str, RateLine]]) -> Table:
    table = _table("fault", "count", "per hour", "95 % limits", "")
    for name, line in lines:
        table.add_row(*_cells(name, line))
    return table


def _cells(name: str, line: RateLine) -> tuple[str, ...]:
    count = f"{line.count} ({line.less_certain}?)" if line.less_certain else str(line.count)
    return name, count, format_number(line.rate), _limits(line), SIGNS[line.standing]


def _limits(line: RateLine, *, long: bool = False) -> str:
    """Format the 95 % limits of a rate, or say that there is not enough data; `long`: and how much more is needed."""
    if line.limits == "little":
        return f"not enough data: {line.more}" if long and line.more else "not enough data"
    widened = "≈ " if line.limits == "widened" else ""
    return f"{widened}{format_number(line.lower)}–{format_number(line.upper)}"


def _table(*names: str) -> Table:
    return plain_table(*names, right=RIGHT, wrap=names)
