"""`strikewatch tools`: which tool is fitted, whether it suits the work, and how long tools last."""

import time
from argparse import Namespace
from typing import Final

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import settings

NO_TOOL: Final = "No tool change is on record: log one on the page, or send a `tool_change` event."


@click.command(cls=shared.Command, examples=("strikewatch tools", "strikewatch tools --hammer HB-03 --json"))
@shared.shifts(required=False)
@shared.config
@shared.only("site", "hammer")
@shared.as_json("one object")
@shared.given
def command(options: Namespace) -> int:
    """Show which tool is fitted and whether it suits the work; hours and blows of each; how long they last.

    Over the tool changes in the database, or in recorded shifts.
    """
    from strikewatch.cli.rendering.wear import show_tools
    from strikewatch.disclaimer import CAUTION
    from strikewatch.review.wear.condition import fitted_record, group_record, tool_record
    from strikewatch.service.inputs.wear import condition_from_options

    found = condition_from_options(options, settings(options.config), time.time_ns(), output.notes())
    if options.json:
        records = {
            "fitted": [fitted_record(one) for one in found.fitted],
            "tools": [tool_record(one) for one in found.tools],
            "lasting": [group_record(one) for one in found.groups],
        }
        output.print_json([{**records, "caution": CAUTION}])
        return 0
    console = output.tables()
    show_tools(console, found)
    console.print(CAUTION, style="dim") if found.tools or found.fitted else console.print(NO_TOOL)
    return 0
