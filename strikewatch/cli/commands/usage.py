"""`strikewatch usage`: what each hammer went through in a period."""

import time
from argparse import Namespace
from contextlib import nullcontext
from typing import TYPE_CHECKING

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import settings

if TYPE_CHECKING:
    import pandas as pd


@click.command(
    cls=shared.Command,
    examples=("strikewatch usage --from 7d", "strikewatch usage replay_data/pad-handover --csv"),
)
@shared.shifts(required=False)
@shared.config
@shared.period("7d, of recorded shifts their begin", "now, of recorded shifts their end")
@shared.only("site", "hammer")
@shared.as_json("one object")
@click.option("--csv", is_flag=True, help="Print the table as CSV.")
@shared.given
def command(options: Namespace) -> int:
    """Show what each hammer went through: hours, blows, hot, blank and misused seconds, missed maintenance.

    Over the database, or over recorded shifts: in all, and per firing hour so that hammers compare.
    """
    from strikewatch.cli.rendering.local_time import named
    from strikewatch.cli.rendering.usage import show
    from strikewatch.core import instant
    from strikewatch.review.report.files import to_json
    from strikewatch.service.inputs.usage import asked

    if options.json and options.csv:
        raise click.UsageError("give --json or --csv, not both")
    # Replayed shifts show a progress bar of their own.
    with nullcontext() if options.paths else output.working("Reading the database"):
        table, begin, end = asked(options, settings(options.config), time.time_ns(), output.notes())
    table = _narrowed(table, options.site, options.hammer)
    if options.json:
        print(to_json({"use": table}, {"begin": instant.text(begin), "end": instant.text(end)}))
    elif options.csv:
        print(table.to_csv(index=False), end="")
    else:
        show(output.tables(), table, f"{named(begin)} to {named(end)}")
    return 0


def _narrowed(table: "pd.DataFrame", site: str | None, hammer: str | None) -> "pd.DataFrame":
    from strikewatch.errors import Refused

    if site is not None:
        table = table[table["site"] == site]
    if hammer is not None and hammer not in set(table["hammer"]):
        known = ", ".join(sorted(set(table["hammer"]))) or "none"
        raise Refused(f"{hammer} did not work in this time; there are: {known}")
    return (table if hammer is None else table[table["hammer"] == hammer]).reset_index(drop=True)
