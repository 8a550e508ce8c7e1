"""`strikewatch due`: what comes due for each hammer, from the database, and what its feed cannot show."""

import json
import math
import time
from argparse import Namespace
from typing import Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from strikewatch.cli.rendering.not_monitored import not_watched
from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND
from strikewatch.detectors.kernels import NEVER
from strikewatch.disclaimer import CAUTION
from strikewatch.engine.pipeline import Pipeline
from strikewatch.settings.tree import load
from strikewatch.storage.engines.shared import Beside
from strikewatch.storage.queries import baselines
from strikewatch.web.live.due_items import Item, upcoming
from strikewatch.web.live.snapshot import Limits, glance

_OLD: Final = 3600 * SECOND
"""A processor at work lets every hammer's time pass; one that has not for so long is not running."""


def show(options: Namespace) -> int:
    """The most urgent first."""
    settings = load(options.config)
    pipeline = Pipeline(settings.of_hammer)
    now = time.time_ns()
    with Beside(settings.store.where) as place:
        for key, layout, state in baselines.states(place, options.site, options.hammer):
            pipeline.restore(key, layout, state)
    found: list[tuple[Key, Item]] = []
    old = []
    for key in pipeline.hammers:
        own, record = settings.of_hammer(key), pipeline.state_of(key)
        seen = glance(record, Limits.of(own), (NEVER, float("nan")))
        found += [(key, item) for item in upcoming(record, own, seen, seen.upto)]
        if now - seen.upto > _OLD:
            old.append(f"{key[1]} {instant.text(seen.upto)[:16].replace('T', ' ')}")
    found.sort(key=lambda one: one[1].urgency)
    if options.json:
        for (site, hammer), item in found:
            print(json.dumps({"site": site, "hammer": hammer, **_rounded(item)}))
        return 0
    console = Console(highlight=False)
    if not found:
        console.print("Nothing is known of any such hammer yet.")
        return 0
    console.print(_table(found))
    if old:
        console.print()
        console.print(f"As the processor knew it last, UTC: {', '.join(old)}.", style="dim")
    for line in not_watched({key: pipeline.unmonitored_faults(key) for key in pipeline.hammers}):
        console.print()
        console.print(line, style="dim")
    console.print()
    console.print(CAUTION, style="dim")
    return 0


def _rounded(item: Item) -> dict[str, object]:
    return {
        name: round(value, 2) if isinstance(value, float) else value for name, value in item._asdict().items()
    }


def _table(found: list[tuple[Key, Item]]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("site", "hammer", "what", "", "hours left", "days left", "at the present use"):
        table.add_column(name, no_wrap=True, justify="right" if name.endswith("left") else "left")
    for (site, hammer), item in found:
        table.add_row(
            Text(site),
            Text(hammer),
            item.what,
            Text("" if item.level == "later" else item.level, "bold"),
            "·" if item.hours_left is None else f"{item.hours_left:.1f}",
            "·" if item.days_left is None else f"{item.days_left:.1f}",
            _forecast(item),
        )
    return table


def _forecast(item: Item) -> str:
    if item.earliest_days is None:
        return ""
    if item.latest_days is None:
        return f"not before {item.earliest_days:.0f} days"
    if item.latest_days - item.earliest_days < 1:
        return f"in about {item.latest_days:.0f} days"
    return f"in {math.floor(item.earliest_days)} to {math.ceil(item.latest_days)} days"
