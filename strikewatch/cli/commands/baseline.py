"""`strikewatch baseline`: the loaded pressure level of each hammer, and how to learn it anew."""

import time
from argparse import Namespace

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import settings


@click.group(
    cls=shared.Group,
    invoke_without_command=True,
    examples=(
        "strikewatch baseline --hammer HB-03",
        "strikewatch baseline relearn HB-03 --by Kim --reason 'new seals'",
    ),
)
@shared.config
@shared.only("site", "hammer")
@shared.period("30d", "now", since=True)
@shared.as_json("one hammer a line")
@click.pass_context
def command(context: click.Context, /, **_: object) -> int:
    """Show the supply pressure that each hammer has with its tool loaded; relearn it.

    Blank firing is judged against it: how well it is known, how far it spreads from bout to bout, how far it falls at
    blank blows, and how it changes with engine speed. With --hammer also day by day.
    """
    return 0 if context.invoked_subcommand else _show()


@shared.given
def _show(options: Namespace) -> int:
    from dataclasses import asdict

    from strikewatch.cli.rendering.baseline import by_day, levels
    from strikewatch.core import instant
    from strikewatch.detectors.blank_firing import blank_firing
    from strikewatch.engine.state import part_of
    from strikewatch.storage.engines.shared import SharedDatabase
    from strikewatch.storage.queries import baselines

    tree = settings(options.config)
    begin, end = shared.instants(options, time.time_ns(), "30d")
    assert begin is not None
    with SharedDatabase(tree.store.where) as place:
        found = []
        for key, layout, state in baselines.states(place, options.site, options.hammer):
            own = tree.of_hammer(key)[blank_firing.DETECTOR.name]
            record = part_of(layout, state, blank_firing.DETECTOR.name)
            learned = blank_firing.learned(record, own) if record is not None else None
            days = baselines.days(place, key, begin) if options.hammer else []
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
        console.print("Nothing is known of any such hammer yet.")
        return 0
    console.print(levels(found))
    for _, _, days in found:
        if days:
            console.print()
            console.print(by_day(days))
    return 0


@command.command(examples=("strikewatch baseline relearn HB-03 --by Kim --reason 'new seals'",))
@click.argument("hammer", metavar="HAMMER")
@click.option("--site", metavar="SITE", help="Where two sites have a hammer of that name.")
@shared.by
@shared.reason(required=True)
@shared.config
@shared.as_json()
@shared.given
def relearn(options: Namespace) -> int:
    """Discard the learned level of HAMMER and learn it anew: after new seals, or on another carrier."""
    from strikewatch.storage.engines.shared import SharedDatabase
    from strikewatch.storage.queries import baselines

    with SharedDatabase(settings(options.config).store.where) as place:
        site, hammer = baselines.relearn(
            place, options.site, options.hammer, by=options.by, reason=options.reason, now=time.time_ns()
        )
    if options.json:
        output.print_json([{"site": site, "hammer": hammer, "relearn": True}])
    else:
        print(
            f"{hammer} at {site} is learned anew from its next bout on; until then blank firing is not judged."
        )
    return 0
