"""`strikewatch run`, `check`, `backup` and `restore`: the live processor and its database."""

import time
from argparse import Namespace
from dataclasses import asdict

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import load_database_settings, load_settings


@click.command(cls=shared.Command, examples=("strikewatch run --config strikewatch.toml",))
@shared.config
@shared.with_options
def run(options: Namespace) -> int:
    """Run the live processor until it is stopped.

    It reads samples from the broker, stores and sends alerts, and serves the site manager's page.
    """
    # mistakes in the settings are reported before the rest is imported
    settings = load_settings(options.config)
    from strikewatch.service.run import run as run_processor

    return run_processor(settings)


@click.command(cls=shared.Command, examples=("strikewatch check --config strikewatch.toml",))
@shared.config
@shared.as_json("one finding a line")
@shared.with_options
def check(options: Namespace) -> int:
    """Check settings, broker, database, endpoints, disk and clock; print what to do about each problem.

    The processor may be running. The exit code is 1 where there is trouble.
    """
    from rich.table import Table

    from strikewatch.errors import SettingsError
    from strikewatch.service.health_check import CheckResult, check_all

    try:
        settings = load_settings(options.config)
        with output.progress_status("Checking"):
            found = [CheckResult("settings", "ok", "all can be used"), *check_all(settings)]
    except SettingsError as error:
        found = [
            CheckResult("settings", "trouble", f"{path}: {what}", "see config/strikewatch.toml")
            for path, what in error.problems
        ]
    if options.json:
        output.print_json(map(asdict, found))
    else:
        table = Table(box=None, pad_edge=False)
        for title in ("what", "how", "seen", "remedy"):
            table.add_column(title)
        for result in found:
            table.add_row(result.what, result.word, result.seen, result.remedy)
        output.tables().print(table, markup=False)
    return 1 if any(result.word == "trouble" for result in found) else 0


@click.command(cls=shared.Command, examples=("strikewatch backup strikewatch-backup.db",))
@click.argument("target", type=shared.PATH, metavar="FILE")
@shared.config
@shared.with_options
def backup(options: Namespace) -> int:
    """Copy the database to FILE, while it is in use or not. An older copy of that name is replaced."""
    from strikewatch.errors import InputError
    from strikewatch.storage.engines.copies import backup as copy_database

    store, target = load_database_settings(options.config).store, options.target
    if store.url is not None:
        raise InputError(
            "PostgreSQL makes its own copies: "
            f"pg_dump --format=custom --file={target} {store.url}; pg_restore takes them back, and "
            "strikewatch restore --recordings-only replays what was recorded since"
        )
    with output.progress_status("Copying the database"):
        size = copy_database(store.path, target)
    print(f"{target}: {size / 2**20:.1f} MiB, complete and checked.")
    print(f"To restore it, stop the processor and run: strikewatch restore {target}")
    return 0


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
def restore(options: Namespace) -> int:
    """Restore the database from COPY, which `strikewatch backup` made. Stop the processor first.

    The recordings made since are replayed, so that no alert in them is missing; what was sent is not sent again. The
    present database is kept beside the restored one.
    """
    from strikewatch.core import instant
    from strikewatch.errors import InputError
    from strikewatch.service.precompile import precompile
    from strikewatch.service.restore import restore as restore_database
    from strikewatch.sinks import log
    from strikewatch.sinks.settings import LogSettings
    from strikewatch.storage.engines.disk import private_umask

    if (options.copy is None) != options.recordings_only:
        raise InputError("give either the COPY to restore, or --recordings-only")
    settings = load_settings(options.config)
    log.set_up(LogSettings(level="error"))
    precompile(output.notes().print)
    with private_umask(), output.progress_status("Restoring"):
        done = restore_database(settings, options.copy, time.time_ns())
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
