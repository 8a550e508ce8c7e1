"""`strikewatch rejects` and `strikewatch channels`: their arguments."""

import argparse
from typing import Any

from strikewatch.service.time_parsing import WHEN

SENDERS = 50
EXAMPLES = 10


def add(commands: Any, config: argparse.ArgumentParser) -> None:
    """Add the commands to the others; `config` brings what all of them take."""
    rejects = commands.add_parser(
        "rejects",
        parents=[config],
        help="data that was not used: by sender, with the reason, the first bad value and the remedy",
        description="Rejected messages, rows that came late or with a wrong clock, unknown keys and duplicates, by "
        "sender and reason. With --sender: the newest examples of one. The processor may be running.",
    )
    for name in ("site", "hammer"):
        rejects.add_argument(f"--{name}", metavar=name.upper(), help=f"only this {name}")
    rejects.add_argument("--sender", metavar="SENDER", help="examples of one sender: SITE/HAMMER, or a topic")
    rejects.add_argument("--since", metavar="WHEN", help=f"only what was seen since then: {WHEN % 'ago'}")
    rejects.add_argument(
        "--limit",
        type=_count,
        metavar="N",
        help=f"at most N senders (default: {SENDERS}), or N examples (default: {EXAMPLES})",
    )
    rejects.add_argument("--json", action="store_true", help="for programs: one JSON object a line")
    rejects.set_defaults(run=_rejects)

    channels = commands.add_parser(
        "channels", help="all channels: units, hold times, ranges, and what is accepted in their place"
    )
    channels.add_argument("--json", action="store_true", help="for programs: one JSON object a channel")
    channels.set_defaults(run=_channels)


def _count(text: str) -> int:
    n = int(text)
    if n < 1:
        raise argparse.ArgumentTypeError("must be at least 1")
    return n


def _rejects(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import rejects as rejects_command

    return rejects_command.show(options, senders=options.limit or SENDERS, examples=options.limit or EXAMPLES)


def _channels(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import channels as channels_command

    return channels_command.show(as_json=options.json)
