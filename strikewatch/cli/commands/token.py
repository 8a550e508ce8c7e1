"""`strikewatch token`: who may use the HTTP interface."""

import time
from argparse import Namespace

from rich.console import Console
from rich.table import Table

from strikewatch.service.time_parsing import told
from strikewatch.settings.tree import load
from strikewatch.storage.actions import tokens
from strikewatch.storage.engines.shared import Beside


def add(options: Namespace) -> int:
    """Make a token and print it, this once."""
    with Beside(load(options.config).store.where) as place, place.write() as connection:
        token = tokens.add(connection, options.name, options.role, time.time_ns())
    print(token)
    return 0


def show_list(options: Namespace) -> int:
    with Beside(load(options.config).store.where) as place, place.read() as connection:
        found = tokens.holders(connection)
    table = Table(box=None, pad_edge=False)
    for title in ("name", "role", "made (UTC)", "revoked (UTC)"):
        table.add_column(title)
    for one in found:
        table.add_row(one.name, one.role, told(one.made), "" if one.revoked is None else told(one.revoked))
    Console(highlight=False, markup=False).print(table if found else "No tokens.")
    return 0


def revoke(options: Namespace) -> int:
    with Beside(load(options.config).store.where) as place, place.write() as connection:
        was_good = tokens.revoke(connection, options.name, time.time_ns())
    print(
        f"{options.name}'s token is worthless from now on." if was_good else f"{options.name}'s was already."
    )
    return 0
