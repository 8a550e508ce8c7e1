"""Data that was not used, by sender and reason, for people."""

from collections.abc import Iterable

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from strikewatch.cli.rendering.local_time import local, second
from strikewatch.core.instant import Instant
from strikewatch.storage.actions.feed_problems import Example, Problem, readable


def by_sender(problems: Iterable[Problem]) -> dict[str, list[Problem]]:
    """The problems of each sender, in the order given."""
    found: dict[str, list[Problem]] = {}
    for problem in problems:
        found.setdefault(problem.name, []).append(problem)
    return found


def show_all(console: Console, senders: dict[str, list[Problem]], limit: int) -> None:
    """Print the problems of each sender, at most `limit` senders."""
    listed = dict(list(senders.items())[:limit])
    if not listed:
        console.print("No data was rejected.")
        return
    for sender, own in listed.items():
        _sender(console, sender, own)
    if len(senders) > len(listed):
        console.print(f"{len(senders) - len(listed):,} more senders; --limit {len(senders)} lists all.")
    console.print("Examples of one: strikewatch rejects --sender SENDER", style="dim")


def _sender(console: Console, sender: str, problems: list[Problem]) -> None:
    console.print(Text(sender, "bold"))
    for one in problems:
        what = f"{one.reason} `{one.key}`" if one.key else one.reason
        counts = f"{one.count:,} in all, {one.recent:,} since yesterday 00:00 UTC"
        console.print(Padding(Text.assemble((what, "bold"), f"  {counts}"), (0, 0, 0, 2)))
        seen = _when(one.first) if one.count == 1 else f"{_when(one.first)} to {_when(one.last)}"
        lines = [f"seen: {seen}", f"what: {one.meaning}"]
        if one.detail:
            lines.append(f"first: {one.detail}")
        if one.payload:
            lines.append(f"sent: {readable(one.payload, 120)}")
        lines.append(f"remedy: {one.remedy}")
        for line in lines:
            console.print(Padding(Text(line), (0, 0, 0, 4)))
    console.print()


def show_one(console: Console, problems: list[Problem], examples: list[Example]) -> None:
    """Print the problems of one sender, and payloads that were kept."""
    for sender, own in by_sender(problems).items():
        _sender(console, sender, own)
    if not examples:
        console.print("No payloads are kept of it (unknown keys and duplicates are only counted).")
    for example in examples:
        console.print(Text.assemble((_when(example.at), "bold"), f"  {example.topic}  {example.reason}"))
        console.print(Padding(Text(example.detail), (0, 0, 0, 4)))
        console.print(Padding(Text(readable(example.payload, 400)), (0, 0, 0, 4)))


def _when(at: Instant) -> str:
    return f"{second(at)} {local(at):%Z}"
