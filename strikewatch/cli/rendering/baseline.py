"""Learned levels of pressure, by hammer and by day, as tables."""

from typing import Any

from rich.table import Table
from rich.text import Text

from strikewatch.core import instant
from strikewatch.storage.queries.baselines import Day


def levels(found: list[Any]) -> Table:
    """One row a hammer, of (key, what was learned or None, days)."""
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


def by_day(days: list[Day]) -> Table:
    """One row a day of one hammer."""
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
