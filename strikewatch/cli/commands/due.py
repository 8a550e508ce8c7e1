"""`strikewatch due`: maintenance due for each hammer, and what its feed cannot show."""

import math
import time
from argparse import Namespace
from typing import TYPE_CHECKING, Final

import click
from rich.table import Table
from rich.text import Text

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.rendering.common import local, not_monitored, plain_table
from strikewatch.cli.settings_file import load_settings

if TYPE_CHECKING:
    from strikewatch.core.batch import Key
    from strikewatch.web.live.snapshot import DueItem

STALE_S: Final = 3600
"""A running processor advances every hammer; if a hammer is this far behind, it is not running."""


@click.command(cls=shared.Command, examples=("strikewatch due", "strikewatch due --hammer HB-03 --json"))
@shared.config
@shared.filters("site", "hammer")
@shared.as_json("one item a line")
@shared.with_options
def command(options: Namespace) -> int:
    """List what is due for each hammer, the most urgent first, and what its feed cannot show.

    Greasing, inspection, service, the walkaround inspection and storage: hours and days left, and when that will be at
    the rate of work of the last four weeks (a 95 % range).
    """
    from strikewatch.core.instant import SECOND
    from strikewatch.detectors import coverage
    from strikewatch.disclaimer import CAUTION
    from strikewatch.engine.state import restored
    from strikewatch.storage.engines.shared import SharedDatabase
    from strikewatch.storage.queries import baselines
    from strikewatch.web.live.snapshot import due_items

    settings, now = load_settings(options.config), time.time_ns()
    with SharedDatabase(settings.store.where) as database:
        saved = list(baselines.states(database, options.site, options.hammer))
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
        return 0
    console = output.tables()
    if not found:
        console.print("No data of such a hammer yet.")
        return 0
    console.print(_table(found))
    if stale:
        console.print()
        console.print(f"Last processed: {', '.join(stale)}.", style="dim")
    for line in not_monitored(unmonitored):
        console.print()
        console.print(line, style="dim")
    console.print()
    console.print(CAUTION, style="dim")
    return 0


def _rounded(item: "DueItem") -> dict[str, object]:
    return {
        name: round(value, 2) if isinstance(value, float) else value for name, value in item._asdict().items()
    }


def _table(found: "list[tuple[Key, DueItem]]") -> Table:
    left = "hours left", "days left"
    table = plain_table("site", "hammer", "what", "", *left, "at the present use", right=left)
    for (site, hammer), item in found:
        table.add_row(
            Text(site),
            Text(hammer),
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
        return f"not before {item.earliest_days:.0f} days"
    if item.latest_days - item.earliest_days < 1:
        return f"in about {item.latest_days:.0f} days"
    return f"in {math.floor(item.earliest_days)} to {math.ceil(item.latest_days)} days"
