"""`strikewatch due`: what is due for each hammer, and what its feed cannot show."""

import time
from argparse import Namespace
from typing import TYPE_CHECKING, Final

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import settings

if TYPE_CHECKING:
    from strikewatch.core.batch import Key
    from strikewatch.web.live.snapshot import DueItem

_OLD_S: Final = 3600
"""A running processor advances every hammer; one that is this far behind is not running."""


@click.command(cls=shared.Command, examples=("strikewatch due", "strikewatch due --hammer HB-03 --json"))
@shared.config
@shared.only("site", "hammer")
@shared.as_json("one item a line")
@shared.given
def command(options: Namespace) -> int:
    """List what is due for each hammer, the most urgent first, and what its feed cannot show.

    Greasing, inspection, service, the walkaround inspection and storage: hours and days left, and when that will be at
    the rate of work of the last four weeks (a 95 % range).
    """
    from strikewatch.cli.rendering.due import table_of
    from strikewatch.cli.rendering.local_time import local
    from strikewatch.cli.rendering.not_monitored import not_watched
    from strikewatch.core.instant import SECOND
    from strikewatch.detectors.kernels import NEVER
    from strikewatch.disclaimer import CAUTION
    from strikewatch.engine.pipeline import Pipeline
    from strikewatch.storage.engines.shared import Beside
    from strikewatch.storage.queries import baselines
    from strikewatch.web.live.snapshot import Limits, due_items, take_snapshot

    tree, now = settings(options.config), time.time_ns()
    pipeline = Pipeline(tree.of_hammer)
    with Beside(tree.store.where) as place:
        for key, layout, state in baselines.states(place, options.site, options.hammer):
            pipeline.restore(key, layout, state)
    found: list[tuple[Key, DueItem]] = []
    old = []
    for key in pipeline.hammers:
        own, record = tree.of_hammer(key), pipeline.state_of(key)
        seen = take_snapshot(record, Limits.of(own), (NEVER, float("nan")))
        found += [(key, item) for item in due_items(record, own, seen, seen.upto)]
        if now - seen.upto > _OLD_S * SECOND:
            old.append(f"{key[1]} {local(seen.upto, key[0]):%Y-%m-%d %H:%M %Z}")
    found.sort(key=lambda one: one[1].urgency)
    if options.json:
        output.print_json(
            {"site": site, "hammer": hammer, **_rounded(item)} for (site, hammer), item in found
        )
        return 0
    console = output.tables()
    if not found:
        console.print("Nothing is known of any such hammer yet.")
        return 0
    console.print(table_of(found))
    if old:
        console.print()
        console.print(f"Last known to the processor: {', '.join(old)}.", style="dim")
    for line in not_watched({key: pipeline.unmonitored_faults(key) for key in pipeline.hammers}):
        console.print()
        console.print(line, style="dim")
    console.print()
    console.print(CAUTION, style="dim")
    return 0


def _rounded(item: "DueItem") -> dict[str, object]:
    return {
        name: round(value, 2) if isinstance(value, float) else value for name, value in item._asdict().items()
    }
