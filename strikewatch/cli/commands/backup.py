"""`strikewatch backup`: copy the database."""

from argparse import Namespace

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import load_database_settings


@click.command(cls=shared.Command, examples=("strikewatch backup strikewatch-backup.db",))
@click.argument("target", type=shared.PATH, metavar="FILE")
@shared.config
@shared.with_options
def command(options: Namespace) -> int:
    """Copy the database to FILE, while it is in use or not. An older copy of that name is replaced."""
    from strikewatch.errors import InputError
    from strikewatch.storage.engines.copies import backup

    store, target = load_database_settings(options.config).store, options.target
    if store.url is not None:
        raise InputError(
            "PostgreSQL makes its own copies: "
            f"pg_dump --format=custom --file={target} {store.url}; pg_restore takes them back, and "
            "strikewatch restore --recordings-only replays what was recorded since"
        )
    with output.progress_status("Copying the database"):
        size = backup(store.path, target)
    print(f"{target}: {size / 2**20:.1f} MiB, complete and checked.")
    print(f"To restore it, stop the processor and run: strikewatch restore {target}")
    return 0
