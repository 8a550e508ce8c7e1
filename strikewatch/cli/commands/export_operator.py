"""`strikewatch export-operator`: everything stored about an operator."""

import sys
from argparse import Namespace
from collections import Counter

import click

from strikewatch.cli import options as shared
from strikewatch.cli.settings_file import settings


@click.command(cls=shared.Command, examples=("strikewatch export-operator op-14 > op-14.jsonl",))
@click.argument("operator", metavar="OPERATOR")
@shared.config
@shared.given
def command(options: Namespace) -> int:
    """Print everything stored about OPERATOR (such as op-14), one JSON object a line.

    The processor may be running. Counts go to standard error.
    """
    import json

    from strikewatch.storage.engines.shared import SharedDatabase
    from strikewatch.storage.privacy import export_operator

    tree, name = settings(options.config), options.operator
    counts: Counter[str] = Counter()
    with SharedDatabase(tree.store.where) as place:
        for where, row in export_operator(place, tree.recording.folder, name):
            counts[where] += 1
            print(json.dumps({"kept_in": where, **row}, ensure_ascii=True))
    listed = ", ".join(f"{n:,} in {where}" for where, n in sorted(counts.items())) or "nothing"
    print(
        f"Stored about {name}: {listed}. Not searched: logs, copies of the database, and what endpoints received.",
        file=sys.stderr,
    )
    return 0
