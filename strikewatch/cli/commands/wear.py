"""`strikewatch wear`: bushings and tools by their inspections."""

import time
from argparse import Namespace
from typing import Final

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import settings

NO_INSPECTION: Final = "No inspection is on record: log one on the page, or send an `inspection` event."


@click.command(cls=shared.Command, examples=("strikewatch wear", "strikewatch wear replay_data/pad-handover"))
@shared.shifts(required=False)
@shared.config
@shared.only("site", "hammer")
@shared.as_json("one object")
@shared.given
def command(options: Namespace) -> int:
    """Show what inspections say of each bushing and tool: what to do, rate of wear, time to the limit.

    Over the inspections in the database, or in recorded shifts.
    """
    from strikewatch.cli.rendering.wear import show_wear
    from strikewatch.disclaimer import CAUTION
    from strikewatch.review.wear.condition import wear_record
    from strikewatch.service.inputs.wear import condition_from_options

    found = condition_from_options(options, settings(options.config), time.time_ns(), output.notes())
    if options.json:
        output.print_json([{"hammers": [wear_record(one) for one in found.worn], "caution": CAUTION}])
        return 0
    console = output.tables()
    show_wear(console, found)
    console.print(CAUTION, style="dim") if found.worn else console.print(NO_INSPECTION)
    return 0
