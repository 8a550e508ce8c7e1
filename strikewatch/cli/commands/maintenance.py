"""`strikewatch due`, `wear` and `tools`: maintenance that is due, and the condition of bushings and tools."""

import math
import time
from argparse import Namespace
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.output import local, not_monitored, plain_table
from strikewatch.cli.settings_file import load_database_settings, load_settings
from strikewatch.disclaimer import CAUTION

if TYPE_CHECKING:
    from strikewatch.core.batch import Key
    from strikewatch.review.wear.condition import Condition, FittedTool
    from strikewatch.review.wear.inspections import HammerWear
    from strikewatch.review.wear.tools import Group, Tool
    from strikewatch.web.live.snapshot import DueItem

STALE_S: Final = 3600
"""A running processor advances every hammer; if a hammer is this far behind, it is not running."""
NO_TOOL: Final = "No tool change is recorded: log one on the page, or send a `tool_change` event."
NO_INSPECTION: Final = "No inspection is recorded: log one on the page, or send an `inspection` event."
FITTED: Final = ("hammer", "fitted", "firing", "work", "suits")
TOOLS: Final = ("tool", "hammer", "from (UTC)", "firing", "blows", "came off")
LIFETIMES: Final = ("by", "tools", "count", "ended", "median life", "95 % limits")


@shared.command("strikewatch due", "strikewatch due --hammer HB-03 --json")
@shared.config
@shared.filters("site", "hammer")
@shared.as_json("one item a line")
def due(options: Namespace) -> None:
    """List what is due for each hammer, the most urgent first, and what its feed cannot show.

    Greasing, inspection, service, the walkaround inspection and storage: hours and days left, and when that will be at
    the rate of work of the last four weeks (a 95 % range).
    """
    from strikewatch.storage.queries.saved_states import saved_states

    now = time.time_ns()
    where = load_database_settings(options.config).store.where
    with output.progress_status("Reading the database"):
        saved = saved_states(where, options.site, options.hammer)
    if not saved:  # importing the detectors for nothing would take half of the time
        if not options.json:
            output.tables().print("No matching hammer has data yet.")
        return
    from strikewatch.core.instant import SECOND
    from strikewatch.detectors import coverage
    from strikewatch.engine.state import restored
    from strikewatch.web.live.snapshot import due_items

    settings = load_settings(options.config)
    found: list[tuple[Key, DueItem]] = []
    stale = []
    unmonitored: dict[Key, list[tuple[str, str]]] = {}
    for key, layout, state in saved:
        own, record = settings.of_hammer(key), restored(layout, state)[0][0]
        data_until = int(record["reading"]["upto"])
        found += [(key, item) for item in due_items(record, own, data_until)]
        unmonitored[key] = list(coverage.unmonitored_faults(own, coverage.channels_of(record)))
        if now - data_until > STALE_S * SECOND:
            stale.append(f"{key[1]} {local(data_until, key[0]):%Y-%m-%d %H:%M %Z}")
    found.sort(key=lambda entry: entry[1].urgency)
    if options.json:
        output.print_json(
            {"site": site, "hammer": hammer, **_rounded(item)} for (site, hammer), item in found
        )
        return
    console = output.tables()
    console.print(_due_table(found))
    if stale:
        console.print()
        console.print(f"Last processed: {', '.join(stale)}.", style="dim")
    for line in not_monitored(unmonitored):
        console.print()
        console.print(line, style="dim")
    console.print()
    console.print(CAUTION, style="dim")


def _rounded(item: "DueItem") -> dict[str, object]:
    return {
        name: round(value, 2) if isinstance(value, float) else value for name, value in item._asdict().items()
    }


def _due_table(found: "list[tuple[Key, DueItem]]") -> Table:
    left = "hours left", "days left"
    table = plain_table("site", "hammer", "what", "", *left, "at the current use", right=left)
    for (site, hammer), item in found:
        table.add_row(
            site,
            hammer,
            item.what,
            Text("" if item.level == "later" else item.level, "bold"),
            "·" if item.hours_left is None else f"{item.hours_left:.1f}",
            "·" if item.days_left is None else f"{item.days_left:.1f}",
            _forecast(item),
        )
    return table


def _forecast(item: "DueItem") -> str:
    if item.earliest_days is None:
        return ""
    if item.latest_days is None:
        return f"in {item.earliest_days:.0f} days or later"
    if item.latest_days - item.earliest_days < 1:
        return f"in about {item.latest_days:.0f} days"
    return f"in {math.floor(item.earliest_days)} to {math.ceil(item.latest_days)} days"


@shared.command("strikewatch wear", "strikewatch wear replay_data/pad-handover")
@shared.shifts(required=False)
@shared.config
@shared.filters("site", "hammer")
@shared.as_json("one object")
def wear(options: Namespace) -> None:
    """Show the condition of each bushing and tool by its inspections: what to do, rate of wear, time to the limit.

    Over the inspections in the database, or in recorded shifts.
    """
    from strikewatch.review.wear.condition import wear_record

    found = _condition(options)
    if options.json:
        output.print_json([{"hammers": [wear_record(one) for one in found.worn], "caution": CAUTION}])
        return
    console = output.tables()
    for hammer in found.worn:
        _show_wear(console, hammer)
    console.print(CAUTION, style="dim") if found.worn else console.print(NO_INSPECTION)


@shared.command("strikewatch tools", "strikewatch tools --hammer HB-03 --json")
@shared.shifts(required=False)
@shared.config
@shared.filters("site", "hammer")
@shared.as_json("one object")
def tools(options: Namespace) -> None:
    """Show which tool is fitted and whether it suits the work; hours and blows of each; how long they last.

    Over the tool changes in the database, or in recorded shifts.
    """
    from strikewatch.review.wear.condition import fitted_record, group_record, tool_record

    found = _condition(options)
    if options.json:
        records = {
            "fitted": [fitted_record(one) for one in found.fitted],
            "tools": [tool_record(one) for one in found.tools],
            "lasting": [group_record(one) for one in found.groups],
        }
        output.print_json([{**records, "caution": CAUTION}])
        return
    console = output.tables()
    _show_tools(console, found)
    console.print(CAUTION, style="dim") if found.tools or found.fitted else console.print(NO_TOOL)


def _condition(options: Namespace) -> "Condition":
    from strikewatch.service.reviews.hammers import condition_from_options

    settings = load_settings(options.config)
    with output.progress_status("Reading the database", shown=not options.paths):
        return condition_from_options(options, settings, time.time_ns(), output.notes())


def _show_tools(console: Console, condition: "Condition") -> None:
    """Print the fitted tools, all tools, and how long tools last."""
    from strikewatch.review.report import hammers as words
    from strikewatch.review.wear.advice import PRACTICE

    if condition.fitted:
        console.print(_fitted_table(condition.fitted))
        notes = [f"{fitted.hammer}: {fitted.note}" for fitted in condition.fitted if fitted.note]
        for note in notes:
            console.print(note, style="yellow")
        if not notes and any(fitted.advice for fitted in condition.fitted):
            console.print(f"Which tool suits: {PRACTICE}", style="dim")
        console.print()
    if condition.tools:
        console.print(_tools_table(condition.tools))
    if condition.groups:
        console.print()
        console.print(_groups_table(condition.groups))
        console.print(words.SURVIVAL_NOTE, style="dim")


def _show_wear(console: Console, wear: "HammerWear") -> None:
    """Print what to do with the bushing and tool of one hammer, and its measurements."""
    from strikewatch.review.report import hammers as words

    console.print(Text.assemble((wear.hammer, "bold"), f" at {wear.site}, {words.describe_inspection(wear)}"))
    style = "yellow" if wear.bushing.verdict in ("turn", "replace") else ""
    console.print(f"{words.bushing_verdict(wear)} {words.bushing_reason(wear)}", style=style)
    for measured in wear.measured:
        console.print(Padding(words.describe_reading(measured), (0, 0, 0, 2)))
        for line in words.describe_trend(measured):
            console.print(Padding(Text(line, "dim"), (0, 0, 0, 4)))
    console.print()


def _fitted_table(fitted: "Iterable[FittedTool]") -> Table:
    from strikewatch.review.report import hammers as words
    from strikewatch.review.report.wording import hours

    table = plain_table(*FITTED, wrap=FITTED)
    for each in fitted:
        firing = hours(each.tool.firing_h) if each.tool else "·"
        work, advised = words.describe_work(each) or "·", words.advised_tool(each) or "·"
        table.add_row(each.hammer, words.tool_name(each.tool), firing, work, advised)
    return table


def _tools_table(tools: "Iterable[Tool]") -> Table:
    from strikewatch.review.report import hammers as words
    from strikewatch.review.report.wording import hours

    table = plain_table(*TOOLS, right=("firing", "blows"), wrap=TOOLS)
    for tool in tools:
        amounts = hours(tool.firing_h), words.blow_count(tool) or "·"
        name, since = words.tool_name(tool), words.fitted_since(tool)
        table.add_row(name, tool.hammer, since, *amounts, words.removal(tool))
    return table


def _groups_table(groups: "Iterable[Group]") -> Table:
    from strikewatch.review.report import hammers as words

    table = plain_table(*LIFETIMES, right=("count", "ended"), wrap=LIFETIMES)
    for group in groups:
        median, limits = words.median_life(group)
        table.add_row(group.by, group.name, str(group.tools), str(group.ended), median, limits)
    return table
