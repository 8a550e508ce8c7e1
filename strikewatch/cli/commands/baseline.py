"""`strikewatch baseline`: show or relearn the loaded pressure level of each hammer."""

import time
from argparse import Namespace
from typing import TYPE_CHECKING, Any

import click
from rich.table import Table
from rich.text import Text

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.rendering.common import plain_table
from strikewatch.cli.settings_file import load_settings

if TYPE_CHECKING:
    from strikewatch.storage.queries.baselines import Day


@click.group(
    cls=shared.Group,
    invoke_without_command=True,
    examples=(
        "strikewatch baseline --hammer HB-03",
        "strikewatch baseline relearn HB-03 --by Kim --reason 'new seals'",
    ),
)
@shared.config
@shared.filters("site", "hammer")
@shared.period("30d", "now", since=True)
@shared.as_json("one hammer a line")
@click.pass_context
def command(context: click.Context, /, **_: object) -> int:
    """Show the supply pressure that each hammer has with its tool loaded; relearn it.

    Blank firing is judged against it: how well it is known, how far it spreads from bout to bout, how far it falls at
    blank blows, and how it changes with engine speed. With --hammer also day by day.
    """
    return 0 if context.invoked_subcommand else _show()


@shared.with_options
def _show(options: Namespace) -> int:
    from dataclasses import asdict

    from strikewatch.core import instant
    from strikewatch.detectors.blank_firing import blank_firing
    from strikewatch.engine.state import part_of
    from strikewatch.storage.engines.shared import SharedDatabase
    from strikewatch.storage.queries import baselines

    settings = load_settings(options.config)
    begin, end = shared.instants(options, time.time_ns(), "30d")
    assert begin is not None
    with SharedDatabase(settings.store.where) as database:
        found = []
        for key, layout, state in baselines.states(database, options.site, options.hammer):
            own = settings.of_hammer(key)[blank_firing.DETECTOR.name]
            record = part_of(layout, state, blank_firing.DETECTOR.name)
            learned = blank_firing.learned(record, own) if record is not None else None
            days = baselines.days(database, key, begin) if options.hammer else []
            found.append((key, learned, [day for day in days if end is None or day.start < end]))
    if options.json:
        output.print_json(
            {
                "site": site,
                "hammer": hammer,
                "learned": learned,
                "days": [{**asdict(day), "start": instant.text(day.start)} for day in days],
            }
            for (site, hammer), learned, days in found
        )
        return 0
    console = output.tables()
    if not found:
        console.print("No data of such a hammer yet.")
        return 0
    console.print(_levels_table(found))
    for _, _, days in found:
        if days:
            console.print()
            console.print(_days_table(days))
    return 0


def _levels_table(found: list[Any]) -> Table:
    """Return a table with one row for each (key, learned level or None, days)."""
    numbers = ("level", "spread", "falls by", "by speed", "pulse")
    table = plain_table("site", "hammer", "known", *numbers, right=numbers)
    for (site, hammer), learned, _ in found:
        if learned is None or learned["level_bar"] is None:
            table.add_row(Text(site), Text(hammer), "not yet", *["·"] * 5)
            continue
        falls = learned["fall_percent"]
        pulse = learned["pulse_spread_bar"]
        table.add_row(
            Text(site),
            Text(hammer),
            learned["known"],
            f"{learned['level_bar']:.0f} bar",
            f"{learned['spread_percent']:.1f} %",
            "·" if falls is None else f"{falls:.0f} %",
            "·" if learned["reference_rpm"] is None else f"{learned['speed_power']:.2f}",
            "·" if pulse is None else f"{pulse:.0f} bar",
        )
    return table


def _days_table(days: "list[Day]") -> Table:
    from strikewatch.core import instant

    numbers = ("bouts", "firing", "judged", "blank", "level", "pulse")
    table = plain_table("day (UTC)", *numbers, right=numbers)
    for day in days:
        table.add_row(
            instant.text(day.start)[:10],
            str(day.bouts),
            f"{day.firing_s / 60:.1f} min",
            f"{100 * day.judged_share:.0f} %",
            f"{day.blank_s:.1f} s",
            "·" if day.level_bar is None else f"{day.level_bar:.0f} bar",
            "·" if day.pulse_spread_bar is None else f"{day.pulse_spread_bar:.0f} bar",
        )
    return table


@command.command(examples=("strikewatch baseline relearn HB-03 --by Kim --reason 'new seals'",))
@click.argument("hammer", metavar="HAMMER")
@click.option("--site", metavar="SITE", help="Where two sites have a hammer of that name.")
@shared.by
@shared.reason(required=True)
@shared.config
@shared.as_json()
@shared.with_options
def relearn(options: Namespace) -> int:
    """Discard the learned level of HAMMER and learn it anew: after new seals, or on another carrier."""
    from strikewatch.storage.engines.shared import SharedDatabase
    from strikewatch.storage.queries import baselines

    with SharedDatabase(load_settings(options.config).store.where) as database:
        site, hammer = baselines.relearn(
            database, options.site, options.hammer, by=options.by, reason=options.reason, now=time.time_ns()
        )
    if options.json:
        output.print_json([{"site": site, "hammer": hammer, "relearn": True}])
    else:
        print(
            f"{hammer} at {site} relearns its level from its next bout on. Until then blank firing is not judged."
        )
    return 0
