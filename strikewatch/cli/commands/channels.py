"""`strikewatch channels`: every channel that a feed may carry."""

from argparse import Namespace

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output


@click.command(cls=shared.Command, examples=("strikewatch channels --json | jq .channel",))
@shared.as_json("one channel a line")
@shared.given
def command(options: Namespace) -> int:
    """List all channels: units, hold times, ranges, and what is accepted in their place."""
    from strikewatch.cli.rendering.channels import described, show

    if options.json:
        output.print_json(described())
    else:
        show(output.tables(), described())
    return 0
