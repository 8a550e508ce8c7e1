"""`strikewatch convert`: turn logger files into a recorded shift."""

from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.output import plain_table
from strikewatch.cli.settings_file import load_settings

if TYPE_CHECKING:
    from strikewatch.service.recorded.converted import Converted


@shared.command(
    "strikewatch convert shift.csv --source cab-logger --to shifts/2026-03-04",
    "strikewatch convert log_1.blf log_2.blf --source can-logger --to shifts/2026-03-04",
    "strikewatch convert raw.asc --source can-logger --start 2026-03-04T07:15:00+01:00 --to shifts/raw",
)
@click.argument("logs", nargs=-1, required=True, type=shared.PATH, metavar="LOG...")
@shared.source(required=True)
@click.option(
    "--to", type=shared.PATH, required=True, metavar="FOLDER", help="New folder for the recorded shift."
)
@shared.allow_loss
@shared.config
@shared.as_json("what was written, as one object")
def convert(options: Namespace) -> None:
    """Turn logger files into a recorded shift.

    LOG is a CSV or Excel table, a CAN log (candump, ASC, BLF, TRC) or an MDF file; several are the parts of one log.
    A table of sources.toml says which columns or signals are which channels: strikewatch guide recordings. Notes go to
    standard error.
    """
    from strikewatch.service.recorded.logger_files import LoggerFiles

    notes = output.notes()
    files = LoggerFiles.from_options(options, load_settings(options.config))
    converted = files.convert(options.logs, options.to, notes)
    if options.json:
        output.print_json([converted.record()])
    else:
        _show(converted, options.to)


def _show(converted: "Converted", folder: Path) -> None:
    """Print what was written of each hammer."""
    console = output.tables()
    table = plain_table("site", "hammer", "rows", output.heading("from"), "to", right=("rows",))
    for (site, hammer), own in sorted(converted.hammers.items()):
        table.add_row(
            site, hammer, f"{own.n:,}", output.second(own.first, site), output.second(own.last, site)
        )
    console.print(table)
    console.print(f"\nchannels: {', '.join(converted.channels)}")
    if converted.events:
        console.print(f"events: {converted.events:,}")
    console.print(f"strikewatch replay {folder}", style="dim")
