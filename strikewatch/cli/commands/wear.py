"""`strikewatch wear` and `strikewatch tools`: bushings and tools, from inspections and tool changes."""

import time
from argparse import Namespace
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

import click
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.rendering.common import plain_table
from strikewatch.cli.settings_file import load_settings

if TYPE_CHECKING:
    from strikewatch.review.wear.condition import Condition, FittedTool
    from strikewatch.review.wear.inspections import HammerWear
    from strikewatch.review.wear.tools import Group, Tool

NO_TOOL: Final = "No tool change is recorded: log one on the page, or send a `tool_change` event."
NO_INSPECTION: Final = "No inspection is recorded: log one on the page, or send an `inspection` event."
FITTED: Final = ("hammer", "fitted", "firing", "work", "suits")
TOOLS: Final = ("tool", "hammer", "from (UTC)", "firing", "blows", "came off")
LIFETIMES: Final = ("by", "tools", "count", "ended", "median life", "95 % limits")


@click.command(cls=shared.Command, examples=("strikewatch wear", "strikewatch wear replay_data/pad-handover"))
@shared.shifts(required=False)
@shared.config
@shared.filters("site", "hammer")
@shared.as_json("one object")
@shared.with_options
def command(options: Namespace) -> int:
    """Show the condition of each bushing and tool by its inspections: what to do, rate of wear, time to the limit.

    Over the inspections in the database, or in recorded shifts.
    """
    from strikewatch.disclaimer import CAUTION
    from strikewatch.review.wear.condition import wear_record
    from strikewatch.service.inputs.hammers import condition_from_options

    found = condition_from_options(options, load_settings(options.config), time.time_ns(), output.notes())
    if options.json:
        output.print_json([{"hammers": [wear_record(one) for one in found.worn], "caution": CAUTION}])
        return 0
    console = output.tables()
    for hammer in found.worn:
        _show_hammer(console, hammer)
    console.print(CAUTION, style="dim") if found.worn else console.print(NO_INSPECTION)
    return 0


@click.command(cls=shared.Command, examples=("strikewatch tools", "strikewatch tools --hammer HB-03 --json"))
@shared.shifts(required=False)
@shared.config
@shared.filters("site", "hammer")
@shared.as_json("one object")
@shared.with_options
def tools(options: Namespace) -> int:
    """Show which tool is fitted and whether it suits the work; hours and blows of each; how long they last.

    Over the tool changes in the database, or in recorded shifts.
    """
    from strikewatch.disclaimer import CAUTION
    from strikewatch.review.wear.condition import fitted_record, group_record, tool_record
    from strikewatch.service.inputs.hammers import condition_from_options

    found = condition_from_options(options, load_settings(options.config), time.time_ns(), output.notes())
    if options.json:
        records = {
            "fitted": [fitted_record(one) for one in found.fitted],
            "tools": [tool_record(one) for one in found.tools],
            "lasting": [group_record(one) for one in found.groups],
        }
        output.print_json([{**records, "caution": CAUTION}])
        return 0
    console = output.tables()
    _show_tools(console, found)
    console.print(CAUTION, style="dim") if found.tools or found.fitted else console.print(NO_TOOL)
    return 0


def _show_tools(console: Console, condition: "Condition") -> None:
    """Print the fitted tools, all tools, and how long tools last."""
    from strikewatch.review.report import hammers as words
    from strikewatch.review.wear.advice import PRACTICE

    if condition.fitted:
        console.print(_fitted_table(condition.fitted))
        notes = [
            f"{fitted_tool.hammer}: {fitted_tool.note}"
            for fitted_tool in condition.fitted
            if fitted_tool.note
        ]
        for note in notes:
            console.print(Text(note, "yellow"))
        if not notes and any(fitted_tool.advice for fitted_tool in condition.fitted):
            console.print(Text(f"Which tool suits: {PRACTICE}", "dim"))
        console.print()
    if condition.tools:
        console.print(_tools_table(condition.tools))
    if condition.groups:
        console.print()
        console.print(_groups_table(condition.groups))
        console.print(Text(words.SURVIVAL_NOTE, "dim"))


def _show_hammer(console: Console, wear: "HammerWear") -> None:
    """Print what to do with the bushing and tool of one hammer, and its measurements."""
    from strikewatch.review.report import hammers as words

    console.print(Text.assemble((wear.hammer, "bold"), f" at {wear.site}, {words.describe_inspection(wear)}"))
    style = "yellow" if wear.bushing.verdict in ("turn", "replace") else ""
    console.print(Text(f"{words.bushing_verdict(wear)} {words.bushing_reason(wear)}", style))
    for measured in wear.measured:
        console.print(Padding(Text(words.describe_reading(measured)), (0, 0, 0, 2)))
        for line in words.describe_trend(measured):
            console.print(Padding(Text(line, "dim"), (0, 0, 0, 4)))
    console.print()


def _fitted_table(fitted: "Iterable[FittedTool]") -> Table:
    from strikewatch.review.report import hammers as words
    from strikewatch.review.report.wording import hours

    table = plain_table(*FITTED, wrap=FITTED)
    for fitted_tool in fitted:
        table.add_row(
            fitted_tool.hammer,
            words.tool_name(fitted_tool.tool),
            hours(fitted_tool.tool.firing_h) if fitted_tool.tool else "·",
            words.describe_work(fitted_tool) or "·",
            words.advised_tool(fitted_tool) or "·",
        )
    return table


def _tools_table(tools: "Iterable[Tool]") -> Table:
    from strikewatch.review.report import hammers as words
    from strikewatch.review.report.wording import hours

    table = plain_table(*TOOLS, right=("firing", "blows"), wrap=TOOLS)
    for tool in tools:
        blows = words.blow_count(tool) or "·"
        table.add_row(
            words.tool_name(tool),
            tool.hammer,
            words.fitted_since(tool),
            hours(tool.firing_h),
            blows,
            words.removal(tool),
        )
    return table


def _groups_table(groups: "Iterable[Group]") -> Table:
    from strikewatch.review.report import hammers as words

    table = plain_table(*LIFETIMES, right=("count", "ended"), wrap=LIFETIMES)
    for group in groups:
        median, limits = words.median_life(group)
        table.add_row(group.by, group.name, str(group.tools), str(group.ended), median, limits)
    return table
