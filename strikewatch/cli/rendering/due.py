"""What is due, as a table."""

import math

from rich.table import Table
from rich.text import Text

from strikewatch.core.batch import Key
from strikewatch.web.live.snapshot import DueItem


def table_of(found: list[tuple[Key, DueItem]]) -> Table:
    """One row an item, in the order given."""
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


def _forecast(item: DueItem) -> str:
    if item.earliest_days is None:
        return ""
    if item.latest_days is None:
        return f"not before {item.earliest_days:.0f} days"
    if item.latest_days - item.earliest_days < 1:
        return f"in about {item.latest_days:.0f} days"
    return f"in {math.floor(item.earliest_days)} to {math.ceil(item.latest_days)} days"
