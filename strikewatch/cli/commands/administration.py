"""`strikewatch token`, `backup`, `restore`, `export-operator`, `erase-operator`: access, copies, personal data."""

import json
import sys
import time
from argparse import Namespace
from collections import Counter
from contextlib import closing

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import (
    load_database_settings,
    load_settings,
    open_connection,
    open_database,
)

ROLES = ("view", "act", "review")


@shared.group("strikewatch token add kim --role act", "strikewatch token list")
def token(_options: Namespace) -> None:
    """Manage access to the HTTP interface."""


@token.command(
    "add",
    examples=("strikewatch token add kim --role act", "strikewatch token add lee --site fennick-hollow"),
)
@click.argument("name", metavar="NAME")
@click.option(
    "--role", type=click.Choice(ROLES), default="view", show_default=True, help="What the token permits."
)
@click.option(
    "--site", "sites", metavar="SITE", multiple=True, help="Permit only this site; may be repeated."
)
@shared.config
@shared.as_json("one object")
def add(options: Namespace) -> None:
    """Make a token for NAME and print it, once. Every action is recorded under that name."""
    from strikewatch.storage.actions import tokens

    with open_connection(options.config, write=True) as connection:
        made = tokens.add(connection, options.name, options.role, time.time_ns(), options.sites or None)
    described = {"name": options.name, "role": options.role, "sites": sorted(options.sites) or None}
    output.print_result(options, {**described, "token": made}, made)


@token.command("list", examples=("strikewatch token list --json",))
@shared.config
@shared.as_json("one token a line")
def list_tokens(options: Namespace) -> None:
    """List the tokens: name, role, sites, when made and when revoked."""
    from strikewatch.core import instant
    from strikewatch.storage.actions import tokens

    with open_connection(options.config) as connection:
        found = tokens.holders(connection)
    if options.json:
        output.print_json(
            {
                "name": holder.name,
                "role": holder.role,
                "sites": None if holder.sites is None else sorted(holder.sites),
                "made": instant.text(holder.made),
                "revoked": None if holder.revoked is None else instant.text(holder.revoked),
            }
            for holder in found
        )
        return
    table = output.plain_table("name", "role", "sites", output.heading("made"), output.heading("revoked"))
    for holder in found:
        revoked = "" if holder.revoked is None else output.minute(holder.revoked)
        sites = "all" if holder.sites is None else ", ".join(sorted(holder.sites))
        table.add_row(holder.name, holder.role, sites, output.minute(holder.made), revoked)
    output.tables().print(table if found else "No tokens.")


@token.command("revoke", examples=("strikewatch token revoke kim",))
@click.argument("name", metavar="NAME")
@shared.config
@shared.as_json("one object")
def revoke(options: Namespace) -> None:
    """Revoke the token of NAME, at once."""
    from strikewatch.storage.actions import tokens

    with open_connection(options.config, write=True) as connection:
        was_good = tokens.revoke(connection, options.name, time.time_ns())
    message = f"{options.name}'s token {'is revoked' if was_good else 'was already revoked'}."
    output.print_result(options, {"name": options.name, "changed": was_good}, message)


@shared.command("strikewatch backup strikewatch-backup.db")
@click.argument("target", type=shared.PATH, metavar="FILE")
@shared.config
@shared.as_json("one object")
def backup(options: Namespace) -> None:
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
    output.print_result(
        options,
        {"file": str(target), "bytes": size},
        f"{target}: {size / 2**20:.1f} MiB, complete and checked.",
        f"To restore it, stop the processor and run: strikewatch restore {target}",
    )


@shared.command("strikewatch restore strikewatch-backup.db", "strikewatch restore --recordings-only")
@click.argument("copy", type=shared.PATH, metavar="[COPY]", required=False)
@click.option(
    "--recordings-only",
    is_flag=True,
    help="Replay what the database does not know: after pg_restore, or a restore that was interrupted.",
)
@shared.config
@shared.as_json("one object")
def restore(options: Namespace) -> None:
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
    precompile(output.notes().print, scanner=False)
    with private_umask(), output.progress_status("Restoring"):
        done = restore_database(settings, options.copy, time.time_ns())
    lines = [
        f"{done.recordings} recordings were made since: {done.rows:,} rows replayed, {done.alerts:,} alerts found, "
        f"{done.marked:,} messages were delivered before."
    ]
    if done.aside is not None:
        lines.append(f"The former database is now {done.aside}; delete it when it is no longer needed.")
    if done.unread:
        lines.append(f"It could not be read, so what it had not recorded is missing: {done.unread}")
    missing_since = None if done.missing_since is None else instant.text(done.missing_since)
    if missing_since is None:
        lines.append("No data is missing.")
    else:
        lines.append(
            f"Data that arrived after {missing_since[:19]}Z may be missing; the alert data_missing says so."
        )
    lines.append("Start the processor again: it continues from here.")
    record = {
        "former_database": done.aside and str(done.aside),
        "unread": done.unread or None,
        "recordings": done.recordings,
        "rows": done.rows,
        "alerts": done.alerts,
        "delivered_before": done.marked,
        "missing_since": missing_since,
    }
    output.print_result(options, record, *lines)


@shared.command("strikewatch export-operator op-14 > op-14.jsonl")
@click.argument("operator", metavar="OPERATOR")
@shared.config
@shared.as_json("one object a line, with or without this option")
def export_operator(options: Namespace) -> None:
    """Print everything stored about OPERATOR (such as op-14), one JSON object a line.

    The processor may be running. Counts go to standard error.
    """
    from strikewatch.storage import privacy

    settings, name = load_database_settings(options.config), options.operator
    counts: Counter[str] = Counter()
    with open_database(settings) as database:
        for where, row in privacy.export_operator(database, settings.recording.folder, name):
            counts[where] += 1
            print(json.dumps({"kept_in": where, **row}, ensure_ascii=True))
    listed = ", ".join(f"{n:,} in {where}" for where, n in sorted(counts.items())) or "nothing"
    print(
        f"Stored about {name}: {listed}. Not searched: logs, copies of the database, and what endpoints received.",
        file=sys.stderr,
    )


@shared.command("strikewatch erase-operator op-14", "strikewatch erase-operator op-14 --yes")
@click.argument("operator", metavar="OPERATOR")
@click.option("--yes", is_flag=True, help="Do it. Without it, only count what would be changed.")
@shared.config
@shared.as_json("one object a place, with its count")
def erase_operator(options: Namespace) -> None:
    """Remove the id of OPERATOR (such as op-14) from everything stored; counts are kept.

    Stop the processor first. It cannot be undone.
    """
    from strikewatch.storage import privacy
    from strikewatch.storage.commit.store import Store

    settings, name = load_settings(options.config), options.operator
    with closing(Store(settings.store.where)) as store, output.progress_status("Searching"):
        changed = privacy.erase(store, settings.recording.folder, name, apply=options.yes)
    if options.json:
        output.print_json(
            {"place": place, "entries": n, "erased": options.yes} for place, n in sorted(changed.items())
        )
        return
    for place, n in sorted(changed.items()):
        print(f"{n:>9,}  {place}")
    if not changed:
        print(f"Neither {store.name} nor the recordings name {name}.")
    elif options.yes:
        print(f"{name} is now '{privacy.ERASED_ID}' there; all counts are unchanged.")
    else:
        print(
            f"These entries name {name}. Nothing was changed: repeat with --yes to erase it, which cannot be undone."
        )
    log = settings.log.file
    print(
        f"Not touched: {'the log' if log is None else log}, copies of the database, and what endpoints received."
    )
