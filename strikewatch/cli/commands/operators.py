"""`strikewatch export-operator` and `strikewatch erase-operator`: the data stored about an operator."""

import json
import sys
from argparse import Namespace
from collections import Counter

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import load_settings


@click.command(cls=shared.Command, examples=("strikewatch export-operator op-14 > op-14.jsonl",))
@click.argument("operator", metavar="OPERATOR")
@shared.config
@shared.with_options
def export(options: Namespace) -> int:
    """Print everything stored about OPERATOR (such as op-14), one JSON object a line.

    The processor may be running. Counts go to standard error.
    """
    from strikewatch.storage.engines.shared import SharedDatabase
    from strikewatch.storage.privacy import export_operator

    settings, name = load_settings(options.config), options.operator
    counts: Counter[str] = Counter()
    with SharedDatabase(settings.store.where) as database:
        for where, row in export_operator(database, settings.recording.folder, name):
            counts[where] += 1
            print(json.dumps({"kept_in": where, **row}, ensure_ascii=True))
    listed = ", ".join(f"{n:,} in {where}" for where, n in sorted(counts.items())) or "nothing"
    print(
        f"Stored about {name}: {listed}. Not searched: logs, copies of the database, and what endpoints received.",
        file=sys.stderr,
    )
    return 0


@click.command(
    cls=shared.Command,
    examples=("strikewatch erase-operator op-14", "strikewatch erase-operator op-14 --yes"),
)
@click.argument("operator", metavar="OPERATOR")
@click.option("--yes", is_flag=True, help="Do it. Without it, only count what would be changed.")
@shared.config
@shared.as_json("one object a place, with its count")
@shared.with_options
def erase(options: Namespace) -> int:
    """Remove the id of OPERATOR (such as op-14) from everything stored; counts are kept.

    Stop the processor first. It cannot be undone.
    """
    from strikewatch.storage import privacy
    from strikewatch.storage.commit.store import Store

    settings, name = load_settings(options.config), options.operator
    store = Store(settings.store.where)
    try:
        with output.progress_status("Searching"):
            changed = privacy.erase(store, settings.recording.folder, name, apply=options.yes)
    finally:
        store.close()
    if options.json:
        output.print_json(
            {"place": place, "entries": n, "erased": options.yes} for place, n in sorted(changed.items())
        )
        return 0
    for place, n in sorted(changed.items()):
        print(f"{n:>9,}  {place}")
    if not changed:
        print(f"No entry names {name} in {store.name} and the recordings.")
    elif options.yes:
        print(f"{name} is now '{privacy.ERASED_ID}' there; all counts are unchanged.")
    else:
        print(f"These entries name {name}. Nothing was changed: --yes erases it. It cannot be undone.")
    log = settings.log.file
    print(
        f"Not touched: {'the log' if log is None else log}, copies of the database, and what endpoints received."
    )
    return 0
