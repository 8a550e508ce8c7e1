"""Alarm metrics beside published targets, as tables."""

from collections.abc import Iterable
from typing import Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from strikewatch.cli.rendering.local_time import named
from strikewatch.core.alert import PRIORITIES
from strikewatch.engine import alarm_kpis as measure
from strikewatch.engine.alarm_kpis import Figures, Source

SOURCE: Final = "Yardsticks: ISA-18.2 / IEC 62682 and EEMUA 191; (m): from memory."


def show(console: Console, site: str, found: Figures) -> None:
    """Print the metrics of one site."""
    many = "1 alert" if found.alerts == 1 else f"{found.alerts:,} alerts"
    console.print(
        Text.assemble((site, "bold"), f"  {named(found.begin, site)} to {named(found.end, site)}, {many}")
    )
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name, side in (("", "left"), ("here", "right"), ("yardstick", "left")):
        table.add_column(name, justify=side, no_wrap=True)  # type: ignore[arg-type]  # one of two literals
    for row in rows(found):
        table.add_row(*row)
    console.print(table)
    if found.top:
        console.print(sources(found.top))
    for one in found.stale:
        ends = "still on" if one.cleared is None else f"ended {named(one.cleared, site)}"
        console.print(f"stale: {one.fault} of {one.hammer} since {named(one.onset, site)}, {ends}")
    console.print()


def rows(found: Figures) -> Iterable[tuple[str, str, str]]:
    day, ten = measure.ACCEPTABLE_A_DAY, measure.ACCEPTABLE_IN_10_MIN
    yield (
        "alerts a day",
        f"{found.per_day:.1f}",
        f"about {day:.0f} acceptable, {measure.MOST_A_DAY:.0f} the most",
    )
    yield "  in the busiest 24 h", f"{found.busiest_day}", ""
    yield (
        "alerts in 10 min",
        f"{found.per_10_min:.2f}",
        f"{ten:.0f} acceptable, {measure.MOST_IN_10_MIN:.0f} manageable (m)",
    )
    yield "  in the busiest 10 min", f"{found.busiest_10_min}", "10; more is a flood (m)"
    yield "time in flood", percent(found.flood_share), f"below {percent(measure.FLOOD_SHARE)} (m)"
    yield "  floods", f"{found.floods}", ""
    yield (
        f"{measure.TOP} greatest sources",
        percent(found.top_share),
        f"below {percent(measure.TOP_SHARE)} (m)",
    )
    yield "chattering sources", f"{len(found.chattering)}", "none"
    yield "stale, over 24 h", f"{len(found.stale)}", f"fewer than {measure.STALE} (m)"
    spread = " / ".join(f"{found.spread[priority] * 100:.0f}" for priority in PRIORITIES)
    yield (
        "low / medium / high, %",
        spread,
        " / ".join(f"{measure.SPREAD[one] * 100:.0f}" for one in PRIORITIES),
    )


def sources(top: Iterable[Source]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name, side in (("hammer", "left"), ("fault", "left"), ("alerts", "right"), ("share", "right")):
        table.add_column(name, justify=side, no_wrap=True)  # type: ignore[arg-type]  # one of two literals
    table.add_column("chattered", justify="right")
    for one in top:
        row = one.hammer, one.fault, f"{one.alerts}", percent(one.share), str(one.chattered or "·")
        table.add_row(*map(Text, row))
    return table


def percent(share: float) -> str:
    return f"{share * 100:.1f} %"
