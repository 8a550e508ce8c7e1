"""For `strikewatch sources`: load its tables; show what captured messages give, and which topics were heard."""

from argparse import Namespace
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from strikewatch.cli import output
from strikewatch.cli.output import counted
from strikewatch.cli.settings_file import load_settings
from strikewatch.core import instant
from strikewatch.core.printable import printable
from strikewatch.errors import InputError, SettingsError

if TYPE_CHECKING:
    from rich.console import Console

    from strikewatch.settings.tree import Settings
    from strikewatch.sources.mapping import SourceTable
    from strikewatch.sources.mapping.authoring.trial import Trial, Trials

MAX_ROWS = 20
"""Rows printed of one message; --json prints all."""
_PASSED = {"where": "by where", "retained": "retained message"}


def load_tables(options: Namespace) -> "tuple[Path, dict[str, SourceTable], Settings | None]":
    """Return the file, its tables and the settings, if they were needed. Raises SettingsError with every mistake."""
    from strikewatch.sources.mapping import read_tables

    settings = None
    path: Path | None = options.tables
    if path is None:
        settings = load_settings(options.config)
        path = settings.sources_file or Path("sources.toml")
    if not path.is_file():
        raise InputError(
            f"{path}: no such file; name the tables with --sources, or as `sources_file` in the settings; "
            "`strikewatch sources propose` writes a first one"
        )
    tables, problems = read_tables(path)
    if problems:
        raise SettingsError(problems)
    return path, tables, settings


def show_trial(console: "Console", trial: "Trial") -> None:
    """Print what one message gives."""
    from rich.padding import Padding

    from strikewatch.core.channels import CHANNELS

    console.print(printable(trial.message.topic), style="bold")
    rows = list(trial.rows())
    names = [name for name in CHANNELS if any(name in values for _, _, values in rows)]
    if rows:
        table = output.plain_table("time (UTC)", "site", "hammer", *names, right=names)
        for key, at, values in rows[:MAX_ROWS]:
            table.add_row(_time(at), *key, *(_cell(values, name) for name in names))
        console.print(Padding(table, (0, 0, 0, 2), expand=False))
        if len(rows) > MAX_ROWS:
            console.print(f"  … {len(rows):,} rows in all; --json prints them", style="dim")
    for event in trial.json()["events"]:
        head = ("time", "site", "hammer", "event")
        rest = ", ".join(f"{key} {value}" for key, value in event.items() if key not in head)
        where = f"{event['site']}/{event['hammer']} at {event['time']}"
        console.print(printable(f"  event {event['event']} of {where}: {rest}", 400))
    for reject in trial.json()["rejects"]:
        console.print(printable(f"  rejected: {reject['reason']}: {reject['detail']}", 600), style="red")
    for passed, count in trial.mapped.passed_over.items():
        what = f"{_PASSED.get(passed.what, passed.what)} {passed.name}".rstrip()
        console.print(printable(f"  passed over: {what} ({count:,})"), style="dim")


def _time(at: int) -> str:
    return instant.text(at).replace("T", " ").rstrip("Z")


def _cell(values: dict[str, Any], name: str) -> str:
    if name not in values:
        return ""
    value = values[name]
    return "–" if value is None else str(value).lower() if isinstance(value, bool) else f"{value:.6g}"


def show_totals(console: "Console", tried: "Sequence[Trial]", advice: Sequence[str]) -> None:
    """Print the totals, and what the table probably misses."""
    values = sum(trial.mapped.values for trial in tried)
    events = sum(len(trial.mapped.events) for trial in tried)
    rejects = sum(each.error.count for trial in tried for each in trial.mapped.rejects)
    console.print(
        f"\n{counted(len(tried), 'message')}: {counted(values, 'value')}, {counted(events, 'event')}, "
        f"{rejects:,} rejected"
    )
    for what in advice:
        console.print(printable(f"- {what}", 1000), style="yellow")


class TopicHeard:
    """What was heard on one topic."""

    def __init__(self) -> None:
        self.count = self.values = self.events = 0
        self.sources: tuple[str, ...] = ()
        self.reject = self.example = ""
        self.last: Trial | None = None

    def add(self, trial: "Trial") -> None:
        self.count += 1
        self.sources = trial.sources
        self.values += trial.mapped.values
        self.events += len(trial.mapped.events)
        if trial.sources and trial.mapped.rejects:
            self.reject = printable(str(trial.mapped.rejects[-1].error), 300)
        if trial.mapped.rows:
            self.last = trial
        payload = trial.message.payload[:120]
        readable = payload.decode("utf-8", "replace")
        self.example = printable(readable, 60) if readable.count("\ufffd") < 3 else f"{payload[:16].hex()}…"

    def record(self) -> dict[str, Any]:
        last = list(self.last.rows())[-1:] if self.last is not None else []
        return {
            "messages": self.count,
            "sources": list(self.sources),
            "values": self.values,
            "events": self.events,
            "row": {"site": last[0][0][0], "hammer": last[0][0][1], **last[0][2]} if last else None,
            "rejected": self.reject or None,
            "payload": self.example,
        }


def show_heard(topics: dict[str, TopicHeard], others: int, trials: "Trials", settings: "Settings") -> None:
    """Print the topics heard, and what the tables probably miss."""
    console = output.tables()
    if not topics:
        console.print(
            "Nothing was heard. Do gateways publish now, and may this account read their topics? See the broker's "
            "access list; --topic names a filter that it may read."
        )
        return
    table = output.plain_table(
        "topic", "messages", "source", "gives", right=("messages",), wrap=("topic", "gives")
    )
    for name, topic in sorted(topics.items()):
        own = name.startswith((f"{settings.mqtt.prefix}/", "$SYS/"))
        source = ", ".join(topic.sources) or ("(contract)" if own else "none")
        table.add_row(printable(name), f"{topic.count:,}", source, _gives(topic))
    console.print(table)
    if others:
        console.print(f"… and {others:,} messages of more topics; --topic narrows what is heard", style="dim")
    for source, what in trials.advice():
        console.print(printable(f"- {source}: {what}", 1000), style="yellow")
    if any(not topic.sources for topic in topics.values()):
        console.print("For topics without a source: strikewatch sources propose", style="dim")


def _gives(topic: TopicHeard) -> str:
    if not topic.sources:
        return topic.example
    record = topic.record()
    parts = []
    if (row := record["row"]) is not None:
        values = ", ".join(f"{name} {_cell(row, name)}" for name in row if name not in ("site", "hammer"))
        parts.append(f"{row['site']}/{row['hammer']}: {values}")
    if topic.events:
        parts.append(counted(topic.events, "event"))
    if topic.reject:
        parts.append(f"rejected: {topic.reject}")
    return "; ".join(parts) or "no value"
