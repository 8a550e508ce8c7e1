"""`strikewatch channels` and `rejects`: what a feed may hold, and what of it was not used."""

import time
from argparse import Namespace
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Final

import click
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.output import local, plain_table, second
from strikewatch.cli.settings_file import open_connection

if TYPE_CHECKING:
    from strikewatch.core.instant import Instant
    from strikewatch.storage.actions.feed_problems import Example, Problem

HEADINGS: Final = ("channel", "unit", "holds for", "range", "accepted in its place")
SENML_HEADINGS: Final = ("in SenML (RFC 8428)", "units", "names, besides the channel's own")
SENDERS: Final = 50
EXAMPLES: Final = 10


@shared.command("strikewatch channels --json | jq .channel")
@shared.as_json("one channel a line")
def channels(options: Namespace) -> None:
    """List all channels: units, hold times, ranges, and what is accepted in their place."""
    if options.json:
        output.print_json(_described())
    else:
        _show_channels(output.tables(), _described())


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
            "accepted_instead": [alias for alias, (target, _) in ALIASES.items() if target == name],
            "senml_names": [
                senml_name
                for senml_name, (target, _) in NAMES.items()
                if target == name and senml_name not in (name, *ALIASES)
            ],
            "senml_units": [] if channel.boolean else list(UNITS[channel.unit]),
        }
        for name, channel in CHANNELS.items()
    ]


def _show_channels(console: Console, channels: list[dict[str, Any]]) -> None:
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


@shared.command("strikewatch rejects --from 2h", "strikewatch rejects --sender fennick-hollow/HB-03")
@shared.config
@shared.filters("site", "hammer")
@click.option("--sender", metavar="SENDER", help="Examples of one sender: SITE/HAMMER, or a topic.")
@shared.period("all", "now", since=True)
@shared.limit(f"At most N senders (default: {SENDERS}), or N examples (default: {EXAMPLES}).")
@shared.as_json("one problem, or one example, a line")
def rejects(options: Namespace) -> None:
    """List data that was not used, by sender: the reason, the first bad value and the remedy.

    Rejected messages, rows that came late or with a wrong clock, unknown keys and duplicates; the sender with the
    newest problem first. The processor may be running.
    """
    from strikewatch.errors import Refused
    from strikewatch.storage.actions import feed_problems

    now = time.time_ns()
    begin, end = shared.instants(options, now, None)
    with open_connection(options.config) as connection:
        found = feed_problems.search(
            connection, now, site=options.site, hammer=options.hammer, sender=options.sender, since=begin
        )
        if options.sender is not None:
            shown = feed_problems.examples(connection, options.sender, options.limit or EXAMPLES)
            if not found and not shown:
                raise Refused(
                    f"no rejected data from {options.sender!r}; `strikewatch rejects` lists the senders"
                )
    if end is not None:
        found = [item for item in found if item.first < end]
    if options.sender is not None:
        if options.json:
            output.print_json(item.json() for item in shown)
        else:
            _show_sender(output.tables(), found, shown)
        return
    senders, limit = _by_sender(found), options.limit or SENDERS
    if options.json:
        output.print_json(item.json() for own in list(senders.values())[:limit] for item in own)
        output.print_cut(min(limit, len(senders)), len(senders), "senders")
    else:
        _show_senders(output.tables(), senders, limit)


def _by_sender(problems: "Iterable[Problem]") -> "dict[str, list[Problem]]":
    found: dict[str, list[Problem]] = {}
    for problem in problems:
        found.setdefault(problem.name, []).append(problem)
    return found


def _show_senders(console: Console, senders: "dict[str, list[Problem]]", limit: int) -> None:
    """Print the problems of each sender, at most `limit` senders."""
    listed = dict(list(senders.items())[:limit])
    if not listed:
        console.print("No data was rejected.")
        return
    for sender, own in listed.items():
        _show_problems(console, sender, own)
    if len(senders) > len(listed):
        console.print(f"{len(senders) - len(listed):,} more senders; --limit {len(senders)} lists all.")
    console.print("Examples for one sender: strikewatch rejects --sender SENDER", style="dim")


def _show_problems(console: Console, sender: str, problems: "list[Problem]") -> None:
    from strikewatch.storage.actions.feed_problems import readable

    console.print(sender, style="bold")
    for problem in problems:
        what = f"{problem.reason} `{problem.key}`" if problem.key else problem.reason
        counts = f"{problem.count:,} in all, {problem.recent:,} since yesterday 00:00 UTC"
        console.print(Padding(Text.assemble((what, "bold"), f"  {counts}"), (0, 0, 0, 2)))
        seen = (
            _when(problem.first) if problem.count == 1 else f"{_when(problem.first)} to {_when(problem.last)}"
        )
        lines = [f"seen: {seen}", f"what: {problem.meaning}"]
        if problem.detail:
            lines.append(f"first: {problem.detail}")
        if problem.payload:
            lines.append(f"sent: {readable(problem.payload, 120)}")
        lines.append(f"remedy: {problem.remedy}")
        for line in lines:
            console.print(Padding(line, (0, 0, 0, 4)))
    console.print()


def _show_sender(console: Console, problems: "list[Problem]", examples: "list[Example]") -> None:
    """Print the problems of one sender, and the payloads kept as examples."""
    from strikewatch.storage.actions.feed_problems import readable

    for sender, own in _by_sender(problems).items():
        _show_problems(console, sender, own)
    if not examples:
        console.print("No payloads are kept for this sender: unknown keys and duplicates are only counted.")
    for example in examples:
        console.print(Text.assemble((_when(example.at), "bold"), f"  {example.topic}  {example.reason}"))
        console.print(Padding(example.detail, (0, 0, 0, 4)))
        console.print(Padding(readable(example.payload, 400), (0, 0, 0, 4)))


def _when(at: "Instant") -> str:
    return f"{second(at)} {local(at):%Z}"
