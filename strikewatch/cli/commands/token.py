"""`strikewatch token`: who may use the HTTP interface."""

import time
from argparse import Namespace

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import open_connection

ROLES = ("view", "act", "review")


@click.group(cls=shared.Group, examples=("strikewatch token add kim --role act", "strikewatch token list"))
def command(**_: object) -> None:
    """Manage access to the HTTP interface."""


@command.command("add", examples=("strikewatch token add kim --role act",))
@click.argument("name", metavar="NAME")
@click.option(
    "--role", type=click.Choice(ROLES), default="view", show_default=True, help="What the token permits."
)
@shared.config
@shared.with_options
def add(options: Namespace) -> int:
    """Make a token for NAME and print it, once. Every action is recorded under that name."""
    from strikewatch.storage.actions import tokens

    with open_connection(options.config, write=True) as connection:
        token = tokens.add(connection, options.name, options.role, time.time_ns())
    print(token)
    return 0


@command.command("list", examples=("strikewatch token list --json",))
@shared.config
@shared.as_json("one token a line")
@shared.with_options
def show_list(options: Namespace) -> int:
    """List the tokens: name, role, when made and when revoked."""
    from strikewatch.core import instant
    from strikewatch.storage.actions import tokens

    with open_connection(options.config) as connection:
        found = tokens.holders(connection)
    if options.json:
        output.print_json(
            {
                "name": holder.name,
                "role": holder.role,
                "made": instant.text(holder.made),
                "revoked": None if holder.revoked is None else instant.text(holder.revoked),
            }
            for holder in found
        )
        return 0
    from rich.table import Table

    from strikewatch.cli.rendering.common import heading, minute

    table = Table(box=None, pad_edge=False)
    for title in ("name", "role", heading("made"), heading("revoked")):
        table.add_column(title)
    for holder in found:
        table.add_row(
            holder.name,
            holder.role,
            minute(holder.made),
            "" if holder.revoked is None else minute(holder.revoked),
        )
    output.tables().print(table if found else "No tokens.", markup=False)
    return 0


@command.command("revoke", examples=("strikewatch token revoke kim",))
@click.argument("name", metavar="NAME")
@shared.config
@shared.with_options
def revoke(options: Namespace) -> int:
    """Revoke the token of NAME, at once."""
    from strikewatch.storage.actions import tokens

    with open_connection(options.config, write=True) as connection:
        was_good = tokens.revoke(connection, options.name, time.time_ns())
    print(
        f"{options.name}'s token is revoked." if was_good else f"{options.name}'s token was revoked before."
    )
    return 0
