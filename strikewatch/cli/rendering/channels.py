"""Every channel that a feed may carry, as the code defines it."""

from typing import Any

from rich.console import Console
from rich.table import Table

from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.core.instant import SECOND
from strikewatch.sources.decode.senml import NAMES, UNITS


def show(console: Console, channels: list[dict[str, Any]]) -> None:
    """Print the channels in the order given, and the names and units of SenML."""
    table = _table("channel", "unit", "holds for", "range", "accepted in its place")
    for one in channels:
        boolean = one["type"] == "boolean"
        table.add_row(
            one["channel"],
            "true/false" if boolean else one["unit"],
            f"{one['hold_s']:g} s",
            "" if boolean else f"{one['low']:,.9g} to {one['high']:,.9g}",
            "\n".join(one["accepted_instead"]),
        )
    console.print(table)
    console.print()
    table = _table("in SenML (RFC 8428)", "units", "names, beside the channel's own")
    for unit, units in UNITS.items():
        names = [name for one in channels if one["unit"] == unit for name in one["senml_names"]]
        table.add_row(unit, ", ".join(units), ", ".join(names))
    console.print(table)
    console.print()
    console.print(
        "A value holds until the next one, for at most the time given. A value outside its range counts as missing and "
        "raises sensor_fault. null: not sampled.",
        style="dim",
    )


def _table(*names: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in names:
        table.add_column(name)
    return table


def described() -> list[dict[str, Any]]:
    """One dict a channel, ready for JSON; `hold_s` in seconds, `low` and `high` in the channel's unit."""
    return [
        {
            "channel": name,
            "type": "boolean" if channel.boolean else "number",
            "unit": channel.unit,
            "hold_s": channel.hold_ns / SECOND,
            "low": channel.low,
            "high": channel.high,
            "accepted_instead": [alias for alias, (meant, _) in ALIASES.items() if meant == name],
            "senml_names": [
                spelt
                for spelt, (meant, _) in NAMES.items()
                if meant == name and spelt not in (name, *ALIASES)
            ],
            "senml_units": [] if channel.boolean else list(UNITS[channel.unit]),
        }
        for name, channel in CHANNELS.items()
    ]
