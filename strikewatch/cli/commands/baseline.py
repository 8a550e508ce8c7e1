"""`strikewatch baseline`: the loaded level that each hammer has shown, how good it is, and how to learn it anew."""

import json
import time
from argparse import Namespace
from dataclasses import asdict
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from strikewatch.core import instant
from strikewatch.detectors.blank_firing import blank_firing
from strikewatch.engine.state import part_of
from strikewatch.service.time_parsing import moment
from strikewatch.settings.tree import load
from strikewatch.storage.engines.shared import Beside
from strikewatch.storage.queries import baselines
from strikewatch.storage.queries.baselines import Day


def show(options: Namespace) -> int:
    """What was learned of each hammer; with its days where one hammer is named."""
    settings = load(options.config)
    since = moment(options.since, time.time_ns(), back=True)
    with Beside(settings.store.where) as place:
        found = []
        for key, layout, state in baselines.states(place, options.site, options.hammer):
            own = settings.of_hammer(key)[blank_firing.DETECTOR.name]
            record = part_of(layout, state, blank_firing.DETECTOR.name)
            learned = blank_firing.learned(record, own) if record is not None else None
            days = baselines.days(place, key, since) if options.hammer else []
            found.append((key, learned, days))
    if options.json:
        for (site, hammer), learned, days in found:
            told = [{**asdict(day), "start": instant.text(day.start)} for day in days]
            print(json.dumps({"site": site, "hammer": hammer, "learned": learned, "days": told}))
        return 0
    console = Console(highlight=False)
    if not found:
        console.print("Nothing is known of any such hammer yet.")
        return 0
    console.print(_table(found))
    for _, _, days in found:
        if days:
            console.print()
            console.print(_days(days))
    return 0


def relearn(options: Namespace) -> int:
    """Have one hammer's level learned anew."""
    settings = load(options.config)
    with Beside(settings.store.where) as place:
        site, hammer = baselines.relearn(
            place, options.site, options.hammer, by=options.by, reason=options.reason, now=time.time_ns()
        )
    if options.json:
        print(json.dumps({"site": site, "hammer": hammer, "relearn": True}))
    else:
        Console(highlight=False, soft_wrap=True).print(
            f"{hammer} at {site} is learned anew from its next bout on; until then blank firing is not judged."
        )
    return 0


def _table(found: list[Any]) -> Table:
    table = _plain("site", "hammer", "known", "level", "spread", "falls by", "by speed", "pulse", right=5)
    for (site, hammer), learned, _ in found:
        if learned is None or learned["level_bar"] is None:
            table.add_row(Text(site), Text(hammer), "not yet", *["·"] * 5)
            continue
        falls = learned["fall_percent"]
        pulse = learned["pulse_spread_bar"]
        table.add_row(
            Text(site),
            Text(hammer),
            learned["known"],
            f"{learned['level_bar']:.0f} bar",
            f"{learned['spread_percent']:.1f} %",
            "·" if falls is None else f"{falls:.0f} %",
            "·" if learned["reference_rpm"] is None else f"{learned['speed_power']:.2f}",
            "·" if pulse is None else f"{pulse:.0f} bar",
        )
    return table


def _days(days: list[Day]) -> Table:
    table = _plain("day (UTC)", "bouts", "firing", "judged", "blank", "level", "pulse", right=6)
    for day in days:
        table.add_row(
            instant.text(day.start)[:10],
            str(day.bouts),
            f"{day.firing_s / 60:.1f} min",
            f"{100 * day.judged_share:.0f} %",
            f"{day.blank_s:.1f} s",
            "·" if day.level_bar is None else f"{day.level_bar:.0f} bar",
            "·" if day.pulse_spread_bar is None else f"{day.pulse_spread_bar:.0f} bar",
        )
    return table


def _plain(*names: str, right: int) -> Table:
    """A table without lines; its last `right` columns hold numbers."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for place, name in enumerate(names):
        table.add_column(name, no_wrap=True, justify="right" if place >= len(names) - right else "left")
    return table
