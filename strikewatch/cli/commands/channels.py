"""`strikewatch channels`: the channels of a feed, as the code defines them."""

from argparse import Namespace
from typing import Any, Final

import click
from rich.console import Console

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.rendering.common import plain_table

HEADINGS: Final = ("channel", "unit", "holds for", "range", "accepted in its place")
SENML_HEADINGS: Final = ("in SenML (RFC 8428)", "units", "names, besides the channel's own")


@click.command(cls=shared.Command, examples=("strikewatch channels --json | jq .channel",))
@shared.as_json("one channel a line")
@shared.with_options
def command(options: Namespace) -> int:
    """List all channels: units, hold times, ranges, and what is accepted in their place."""
    if options.json:
        output.print_json(_described())
    else:
        _show(output.tables(), _described())
    return 0


def _described() -> list[dict[str, Any]]:
    """Return one dict for each channel; `low` and `high` are in the channel's unit."""
    from strikewatch.core.channels import ALIASES, CHANNELS
    from strikewatch.core.instant import SECOND
    from strikewatch.sources.decode.senml import NAMES, UNITS

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
                senml_name
                for senml_name, (meant, _) in NAMES.items()
                if meant == name and senml_name not in (name, *ALIASES)
            ],
            "senml_units": [] if channel.boolean else list(UNITS[channel.unit]),
        }
        for name, channel in CHANNELS.items()
    ]


def _show(console: Console, channels: list[dict[str, Any]]) -> None:
    """Print the channels in the order given, and the names and units of SenML."""
    from strikewatch.sources.decode.senml import UNITS

    table = plain_table(*HEADINGS, wrap=HEADINGS)
    for channel in channels:
        boolean = channel["type"] == "boolean"
        table.add_row(
            channel["channel"],
            "true/false" if boolean else channel["unit"],
            f"{channel['hold_s']:g} s",
            "" if boolean else f"{channel['low']:,.9g} to {channel['high']:,.9g}",
            "\n".join(channel["accepted_instead"]),
        )
    console.print(table)
    console.print()
    table = plain_table(*SENML_HEADINGS, wrap=SENML_HEADINGS)
    for unit, units in UNITS.items():
        names = [name for channel in channels if channel["unit"] == unit for name in channel["senml_names"]]
        table.add_row(unit, ", ".join(units), ", ".join(names))
    console.print(table)
    console.print()
    console.print(
        "A value holds until the next one, for at most the time given. A value outside its range counts as missing and "
        "raises sensor_fault. null: not sampled.",
        style="dim",
    )
