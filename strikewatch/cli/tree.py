"""The commands there are: each name with the module that holds it, a summary and an example.

A module of `commands/` is imported when its command is used. It has the command's name and holds `command`, unless the
entry says otherwise.
"""

from dataclasses import dataclass
from importlib import import_module
from typing import Final

import click


@dataclass(frozen=True, slots=True)
class Entry:
    """One command as the list of commands shows it."""

    summary: str
    example: str
    place: tuple[str, str] | None = None
    """Module and variable, where they do not follow from the name."""


SECTIONS: Final[dict[str, dict[str, Entry]]] = {
    "Start here": {
        "demo": Entry(
            "Run an invented site on this machine, with nothing to install.", "demo", ("start", "demo")
        ),
        "guide": Entry("Show a user guide, or list them.", "guide faults", ("start", "guide")),
        "completion": Entry(
            "Print the shell completion script.",
            'eval "$(strikewatch completion bash)"',
            ("start", "completion"),
        ),
    },
    "Recorded shifts": {
        "replay": Entry("Run recorded shifts through the detectors.", "replay replay_data/hot-bench"),
        "what-if": Entry(
            "Replay shifts under other settings and compare.",
            "what-if SHIFT --set faults.same_spot.limit_s=12",
        ),
    },
    "Live": {
        "run": Entry("Run the live processor.", "run --config strikewatch.toml", ("processor", "run")),
        "check": Entry("Check settings, broker, database and disk.", "check", ("processor", "check")),
        "settings": Entry("Check the settings and print those in force.", "settings"),
        "channels": Entry("List the channels of a feed: units, hold times, ranges.", "channels --json"),
        "rejects": Entry("List data that was not used, by sender and reason.", "rejects --from 2h"),
        "deliveries": Entry(
            "List, resend and test deliveries; switch endpoints.", "deliveries list --state parked"
        ),
    },
    "Alerts": {
        "alerts": Entry("List, acknowledge and shelve alerts.", "alerts --priority high"),
        "hammer": Entry("Take a hammer out of service, or put it back.", "hammer in-service HB-03 --by Kim"),
        "alarm-metrics": Entry("Compare the alert load with published targets.", "alarm-metrics --from 30d"),
    },
    "Maintenance": {
        "due": Entry("List what is due for each hammer.", "due --site fennick-hollow"),
        "usage": Entry("Show the use and misuse of each hammer.", "usage --from 7d"),
        "wear": Entry("Show bushing and tool wear by inspections.", "wear --hammer HB-03"),
        "tools": Entry("Show fitted tools and how long tools last.", "tools", ("wear", "tools")),
        "baseline": Entry("Show or relearn each hammer's loaded pressure.", "baseline --hammer HB-03"),
    },
    "Training": {
        "review": Entry("Make the trainer's review of a period.", "review --from 7d --html review.html"),
    },
    "Administration": {
        "token": Entry("Manage access to the HTTP interface.", "token add kim --role act"),
        "backup": Entry("Copy the database, in use or not.", "backup copy.db", ("processor", "backup")),
        "restore": Entry(
            "Restore a copy, and replay what was recorded since.", "restore copy.db", ("processor", "restore")
        ),
        "export-operator": Entry(
            "Print everything stored about an operator.", "export-operator op-14", ("operators", "export")
        ),
        "erase-operator": Entry(
            "Remove an operator's id; counts are kept.", "erase-operator op-14", ("operators", "erase")
        ),
    },
}
ENTRIES: Final = {name: entry for section in SECTIONS.values() for name, entry in section.items()}
RENAMED: Final = {
    "survey": "check",
    "suppose": "what-if",
    "kept": "export-operator",
    "forget": "erase-operator",
    "use": "usage",
    "figures": "alarm-metrics",
}
"""Earlier names, still accepted with a notice."""


def load(name: str) -> click.Command:
    """Import the command of that name."""
    entry = ENTRIES[name]
    module, variable = entry.place or (name.replace("-", "_"), "command")
    command: click.Command = getattr(import_module(f"strikewatch.cli.commands.{module}"), variable)
    command.name, command.short_help = name, entry.summary
    command.help = command.help or entry.summary
    return command
