"""`strikewatch rejects`: data that was not used, by sender and reason."""

import time
from argparse import Namespace
from typing import Final

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import settings

SENDERS: Final = 50
EXAMPLES: Final = 10


@click.command(
    cls=shared.Command,
    examples=("strikewatch rejects --from 2h", "strikewatch rejects --sender fennick-hollow/HB-03"),
)
@shared.config
@shared.only("site", "hammer")
@click.option("--sender", metavar="SENDER", help="Examples of one sender: SITE/HAMMER, or a topic.")
@shared.period("all", "now", since=True)
@click.option(
    "--limit",
    type=click.IntRange(min=1),
    metavar="N",
    help=f"At most N senders (default: {SENDERS}), or N examples (default: {EXAMPLES}).",
)
@shared.as_json("one problem, or one example, a line")
@shared.given
def command(options: Namespace) -> int:
    """List data that was not used, by sender: the reason, the first bad value and the remedy.

    Rejected messages, rows that came late or with a wrong clock, unknown keys and duplicates; the sender with the
    newest problem first. The processor may be running.
    """
    from strikewatch.cli.rendering.rejects import by_sender, show_all, show_one
    from strikewatch.errors import Refused
    from strikewatch.storage.actions import feed_problems
    from strikewatch.storage.engines.shared import SharedDatabase

    now = time.time_ns()
    begin, end = shared.instants(options, now, None)
    with SharedDatabase(settings(options.config).store.where) as place, place.read() as connection:
        found = feed_problems.search(
            connection, now, site=options.site, hammer=options.hammer, sender=options.sender, since=begin
        )
        if options.sender is not None:
            shown = feed_problems.examples(connection, options.sender, options.limit or EXAMPLES)
            if not found and not shown:
                raise Refused(
                    f"nothing of {options.sender!r} was rejected; `strikewatch rejects` lists the senders"
                )
    if end is not None:
        found = [one for one in found if one.first < end]
    if options.sender is not None:
        if options.json:
            output.print_json(one.json() for one in shown)
        else:
            show_one(output.tables(), found, shown)
        return 0
    senders, limit = by_sender(found), options.limit or SENDERS
    if options.json:
        output.print_json(one.json() for own in list(senders.values())[:limit] for one in own)
    else:
        show_all(output.tables(), senders, limit)
    return 0
