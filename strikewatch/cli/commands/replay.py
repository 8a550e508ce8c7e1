"""`strikewatch replay`: run recorded shifts through the detectors."""

import sys
import time
from argparse import Namespace
from itertools import chain

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import settings


@click.command(
    cls=shared.Command,
    examples=(
        "strikewatch replay replay_data/hot-bench",
        "strikewatch replay shifts/ --json | jq .summary",
        "strikewatch replay shift.csv --column pressure_bar='Druck [bar]' --zone Europe/Vienna",
    ),
)
@shared.one_shift
@shared.config
@shared.as_json("one alert record a line")
@click.option("--bouts", is_flag=True, help="List bouts of firing instead of alerts: seconds, blows, levels.")
@shared.only("hammer")
@shared.period("the start of the recording", "its end")
@shared.given
def command(options: Namespace) -> int:
    """Run a recorded shift through the detectors.

    PATH is a shift's folder, one .parquet or .csv file, or a folder of shifts. Notes go to standard error. The exit
    code is 0 whether or not there are alerts.
    """
    from strikewatch.cli.rendering.replay import show, show_bouts
    from strikewatch.service.recordings import Recordings, print_notes
    from strikewatch.service.time_window import TimeWindow

    notes = output.notes()
    tree = settings(options.config)
    part = TimeWindow.asked(options.hammer, options.begin, options.end, time.time_ns())
    recordings = Recordings.asked(options, tree)
    shifts, result = recordings.open_and_replay(notes)
    print_notes(notes, chain(recordings.notes(shifts), result.notes()))
    result = result.within(part)
    records = [one.record() for one in result.bouts()] if options.bouts else result.records
    if options.json:
        output.print_json(records)
        sys.stdout.flush()
    elif options.bouts:
        show_bouts(output.tables(), records)
    else:
        show(output.tables(), options.paths[0], result)
    return 0
