"""`strikewatch figures`: how many alerts people get at each site, beside the published yardsticks."""

import json
import time
from argparse import Namespace
from collections.abc import Iterable
from typing import Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from strikewatch.core.alert import PRIORITIES
from strikewatch.engine import alarm_kpis as measure
from strikewatch.engine.alarm_kpis import AlarmKpis, Contributor, compute_kpis
from strikewatch.engine.flood import Rules
from strikewatch.errors import Refused, Unknown
from strikewatch.service.time_parsing import moment, told
from strikewatch.settings.tree import load
from strikewatch.storage.engines.shared import Beside
from strikewatch.storage.queries.alerts import intervals

BEFORE: Final = "30d"
SOURCE: Final = "Yardsticks: ISA-18.2 / IEC 62682 and EEMUA 191; (m): from memory."


def show(options: Namespace) -> int:
    """The figures of each site, or of one."""
    settings = load(options.config)
    now = time.time_ns()
    begin = moment(options.begin or BEFORE, now, back=True)
    end = now if options.end is None else moment(options.end, now, back=True)
    if end <= begin:
        raise Refused("--from must be before --to")
    with Beside(settings.store.where) as place, place.read() as connection:
        by_site = intervals(connection, end)
    if options.site is not None:
        if options.site not in by_site:
            raise Unknown(
                f"no alert was ever raised at {options.site}; there are: {', '.join(by_site) or 'none yet'}"
            )
        by_site = {options.site: by_site[options.site]}
    console = Console(highlight=False)
    rules = Rules.of(settings.alarms)
    for site, own in sorted(by_site.items()):
        found = compute_kpis(own, begin, end, rules)
        if options.json:
            print(json.dumps({"site": site, **found.as_json()}, ensure_ascii=False))
        else:
            _show(console, site, found)
    if not options.json:
        console.print(SOURCE if by_site else "No alerts yet.", style="dim")
    return 0


def _show(console: Console, site: str, found: AlarmKpis) -> None:
    many = "1 alert" if found.alerts == 1 else f"{found.alerts:,} alerts"
    console.print(Text.assemble((site, "bold"), f"  {told(found.begin)} to {told(found.end)} UTC, {many}"))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name, side in (("", "left"), ("here", "right"), ("yardstick", "left")):
        table.add_column(name, justify=side, no_wrap=True)  # type: ignore[arg-type]  # one of two literals
    for row in _rows(found):
        table.add_row(*row)
    console.print(table)
    if found.top:
        console.print(_contributors(found.top))
    for one in found.stale:
        ends = "still on" if one.cleared is None else f"over {told(one.cleared)}"
        console.print(f"stale: {one.fault} of {one.hammer} since {told(one.onset)} UTC, {ends}")
    console.print()


def _rows(found: AlarmKpis) -> Iterable[tuple[str, str, str]]:
    day, ten = measure.ACCEPTABLE_PER_DAY, measure.ACCEPTABLE_IN_10_MIN
    yield (
        "alerts a day",
        f"{found.per_day:.1f}",
        f"about {day:.0f} acceptable, {measure.MAX_PER_DAY:.0f} the most",
    )
    yield "  in the busiest 24 h", f"{found.busiest_day}", ""
    yield (
        "alerts in 10 min",
        f"{found.per_10_min:.2f}",
        f"{ten:.0f} acceptable, {measure.MAX_IN_10_MIN:.0f} manageable (m)",
    )
    yield "  in the busiest 10 min", f"{found.busiest_10_min}", "10; more is a flood (m)"
    yield "time in flood", _percent(found.flood_share), f"below {_percent(measure.MAX_FLOOD_SHARE)} (m)"
    yield "  floods", f"{found.floods}", ""
    yield (
        f"{measure.TOP_CONTRIBUTORS} greatest sources",
        _percent(found.top_share),
        f"below {_percent(measure.MAX_TOP_SHARE)} (m)",
    )
    yield "chattering sources", f"{len(found.chattering)}", "none"
    yield "stale, over 24 h", f"{len(found.stale)}", f"fewer than {measure.MAX_STALE} (m)"
    spread = " / ".join(f"{found.spread[priority] * 100:.0f}" for priority in PRIORITIES)
    yield (
        "low / medium / high, %",
        spread,
        " / ".join(f"{measure.PRIORITY_TARGETS[one] * 100:.0f}" for one in PRIORITIES),
    )


def _contributors(top: Iterable[Contributor]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name, side in (("hammer", "left"), ("fault", "left"), ("alerts", "right"), ("share", "right")):
        table.add_column(name, justify=side, no_wrap=True)  # type: ignore[arg-type]  # one of two literals
    table.add_column("chattered", justify="right")
    for one in top:
        row = one.hammer, one.fault, f"{one.alerts}", _percent(one.share), str(one.chattered or "·")
        table.add_row(*map(Text, row))
    return table


def _percent(share: float) -> str:
    return f"{share * 100:.1f} %"
