"""Wear and tools in the terminal, narrow enough for 80 columns."""

from collections.abc import Iterable

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from strikewatch.review.report import wear as words
from strikewatch.review.report.wording import hours
from strikewatch.review.wear.condition import Condition, FittedTool
from strikewatch.review.wear.inspections import HammerWear
from strikewatch.review.wear.limits import PRACTICE
from strikewatch.review.wear.tools import Group, Tool


def show_wear(console: Console, found: Condition) -> None:
    """Each inspected hammer: what is to be done, and how its readings go."""
    for one in found.worn:
        _worn(console, one)


def show_tools(console: Console, found: Condition) -> None:
    """What is fitted and whether it suits, every tool, and how long they last."""
    if found.fitted:
        console.print(_fitted(found.fitted))
        notes = [f"{one.hammer}: {one.note}" for one in found.fitted if one.note]
        for note in notes:
            console.print(Text(note, "yellow"))
        if not notes and any(one.advice for one in found.fitted):
            console.print(Text(f"Which tool suits: {PRACTICE}", "dim"))
        console.print()
    if found.tools:
        console.print(_tools(found.tools))
    if found.groups:
        console.print()
        console.print(_groups(found.groups))
        console.print(Text(words.SURVIVAL_NOTE, "dim"))


def _worn(console: Console, one: HammerWear) -> None:
    console.print(Text.assemble((one.hammer, "bold"), f" at {one.site}, {words.describe_inspection(one)}"))
    look = "yellow" if one.bushing.verdict in ("turn", "replace") else ""
    console.print(Text(f"{words.bushing_verdict(one)} {words.bushing_reason(one)}", look))
    for measured in one.measured:
        console.print(Padding(Text(words.describe_reading(measured)), (0, 0, 0, 2)))
        for said in words.describe_trend(measured):
            console.print(Padding(Text(said, "dim"), (0, 0, 0, 4)))
    console.print()


def _fitted(fitted: Iterable[FittedTool]) -> Table:
    table = _table("hammer", "fitted", "firing", "work", "suits")
    for one in fitted:
        table.add_row(
            one.hammer,
            words.tool_name(one.tool),
            hours(one.tool.firing_h) if one.tool else "·",
            words.describe_work(one) or "·",
            words.advised_tool(one) or "·",
        )
    return table


def _tools(tools: Iterable[Tool]) -> Table:
    table = _table("tool", "hammer", "from (UTC)", "firing", "blows", "came off", right=("firing", "blows"))
    for one in tools:
        blows = words.blow_count(one) or "·"
        table.add_row(
            words.tool_name(one),
            one.hammer,
            words.fitted_since(one),
            hours(one.firing_h),
            blows,
            words.removal(one),
        )
    return table


def _groups(groups: Iterable[Group]) -> Table:
    table = _table("by", "tools", "count", "ended", "median life", "95 % limits", right=("count", "ended"))
    for one in groups:
        median, limits = words.median_life(one)
        table.add_row(one.by, one.name, str(one.tools), str(one.ended), median, limits)
    return table


def _table(*names: str, right: Iterable[str] = ()) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in names:
        table.add_column(name, justify="right" if name in right else "left")
    return table
