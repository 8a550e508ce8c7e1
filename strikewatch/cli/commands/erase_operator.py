"""`strikewatch erase-operator`: remove an operator's id from everything stored."""

from argparse import Namespace

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import settings


@click.command(
    cls=shared.Command,
    examples=("strikewatch erase-operator op-14", "strikewatch erase-operator op-14 --yes"),
)
@click.argument("operator", metavar="OPERATOR")
@click.option("--yes", is_flag=True, help="Do it. Without it, only count what would be changed.")
@shared.config
@shared.as_json("one object a place, with its count")
@shared.given
def command(options: Namespace) -> int:
    """Remove the id of OPERATOR (such as op-14) from everything stored; counts are kept.

    Stop the processor first. It cannot be undone.
    """
    from strikewatch.storage import privacy
    from strikewatch.storage.commit.store import Store

    tree, name = settings(options.config), options.operator
    store = Store(tree.store.where)
    try:
        with output.working("Searching"):
            changed = privacy.erase(store, tree.recording.folder, name, apply=options.yes)
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
        print(f"{name} is nowhere in {store.name} and the recordings.")
    elif options.yes:
        print(f"{name} is now '{privacy.ERASED_ID}' there; all counts are unchanged.")
    else:
        print(f"These entries name {name}. Nothing was changed: --yes erases it. It cannot be undone.")
    log = tree.log.file
    print(
        f"Not touched: {'the log' if log is None else log}, copies of the database, and what endpoints received."
    )
    return 0
