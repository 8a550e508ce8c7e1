"""`strikewatch restore`: put a copy of the database in place, and replay what was recorded since."""

import time
from argparse import Namespace

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import load_settings


@click.command(
    cls=shared.Command,
    examples=("strikewatch restore strikewatch-backup.db", "strikewatch restore --recordings-only"),
)
@click.argument("copy", type=shared.PATH, metavar="[COPY]", required=False)
@click.option(
    "--recordings-only",
    is_flag=True,
    help="Replay what the database does not know: after pg_restore, or a restore that was interrupted.",
)
@shared.config
@shared.with_options
def command(options: Namespace) -> int:
    """Restore the database from COPY, which `strikewatch backup` made. Stop the processor first.

    The recordings made since are replayed, so that no alert in them is missing; what was sent is not sent again. The
    present database is kept beside the restored one.
    """
    from strikewatch.core import instant
    from strikewatch.errors import InputError
    from strikewatch.service.precompile import precompile
    from strikewatch.service.restore import restore
    from strikewatch.sinks import log
    from strikewatch.sinks.settings import LogSettings
    from strikewatch.storage.engines.disk import private_umask

    if (options.copy is None) != options.recordings_only:
        raise InputError("give either the COPY to restore, or --recordings-only")
    settings = load_settings(options.config)
    log.set_up(LogSettings(level="error"))
    precompile(output.notes().print)
    with private_umask(), output.progress_status("Restoring"):
        done = restore(settings, options.copy, time.time_ns())
    if done.aside is not None:
        print(f"The former database is now {done.aside}; delete it when it is no longer needed.")
    if done.unread:
        print(f"It could not be read, so what it had not recorded is missing: {done.unread}")
    print(
        f"{done.recordings} recordings were made since: {done.rows:,} rows replayed, {done.alerts:,} alerts found, "
        f"{done.marked:,} messages were delivered before."
    )
    if done.missing_since is None:
        print("No data is missing.")
    else:
        since = instant.text(done.missing_since)[:19]
        print(f"Data that arrived after {since}Z may be missing; the alert data_missing says so.")
    print("Start the processor again: it continues from here.")
    return 0
