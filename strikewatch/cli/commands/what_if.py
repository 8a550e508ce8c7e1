"""`strikewatch what-if`: recorded shifts under other settings."""

from argparse import Namespace
from typing import TYPE_CHECKING

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import settings
from strikewatch.errors import InputError, SettingsError

if TYPE_CHECKING:
    from strikewatch.settings.tree import Settings


@click.command(
    cls=shared.Command,
    examples=(
        "strikewatch what-if replay_data/hot-bench --set faults.same_spot.limit_s=12",
        "strikewatch what-if replay_data/hot-bench --sweep faults.same_spot.limit_s=8:30:2 --html sweep.html",
    ),
)
@shared.shifts(required=True)
@shared.config
@click.option(
    "--set",
    multiple=True,
    metavar="NAME=VALUE",
    help="A changed setting, such as faults.same_spot.limit_s=12. Repeatable.",
)
@click.option("--sweep", metavar="NAME=VALUES", help="Such as faults.same_spot.limit_s=8:30:2, or =12,15,20.")
@click.option(
    "--html", type=shared.PATH, metavar="FILE", help="Write the sweep as a picture, a page of its own."
)
@shared.as_json("one alert, or one value, a line")
@shared.given
def command(options: Namespace) -> int:
    """Replay shifts under the settings and under changed ones, and compare alert by alert and in rates.

    Or sweep one setting over several values and show the faults per firing hour at each.
    """
    if bool(options.set) == bool(options.sweep):
        raise InputError("give a change: --set NAME=VALUE, or --sweep NAME=FIRST:LAST:STEP")
    tree = settings(options.config)
    from strikewatch.service.precompile import precompile

    precompile(lambda text: output.notes().print(text, style="dim"))
    return _sweep(options, tree) if options.sweep else _compare(options, tree)


def _compare(options: Namespace, tree: "Settings") -> int:
    from strikewatch.cli.rendering.what_if import show_changes
    from strikewatch.review.what_if import pairs
    from strikewatch.service import what_if
    from strikewatch.service.recordings import Recordings, print_notes
    from strikewatch.settings.tree import with_faults

    changes = what_if.parse_changes(options.set)
    with_faults(tree, changes)  # mistakes in them are reported before any work
    recordings = Recordings.asked(options, tree)
    with output.working("Replaying"):
        before = what_if.run(recordings)
        after = what_if.run(recordings, changes)
    print_notes(output.notes(), iter(before.notes))
    found = pairs(before.records, after.records)
    if options.json:
        output.print_json(pair.json() for pair in found)
    else:
        show_changes(output.tables(), options.set, before, after, found)
    return 0


def _sweep(options: Namespace, tree: "Settings") -> int:
    from strikewatch.cli.rendering.what_if import show_sweep, sweep_rows, write_page
    from strikewatch.service import what_if
    from strikewatch.service.progress import progress_bar
    from strikewatch.service.recordings import Recordings, print_notes
    from strikewatch.settings.tree import with_faults

    name, _, text = options.sweep.partition("=")
    values = what_if.parse_sweep(text)
    with_faults(tree, {name: values[0]})  # a mistake in the name is reported before any work
    now = what_if.current_value(tree, name)
    if isinstance(now, bool) or not isinstance(now, int | float):
        raise SettingsError([(name, "is not a number; only numbers can be swept, change others with --set")])
    notes = output.notes()
    with progress_bar(notes, len(values), "values", 2) as progress:
        runs = what_if.sweep(Recordings.asked(options, tree), name, values, progress)
    print_notes(notes, iter(runs[0].notes))
    rows = sweep_rows(name, values, runs)
    if options.json:
        output.print_json(rows)
    else:
        show_sweep(output.tables(), name, now, rows)
    if options.html is not None:
        write_page(options.html, name, float(now), values, rows)
    return 0
