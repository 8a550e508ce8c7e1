"""`strikewatch rejects`: data that was not used, by sender and reason, from the database."""

import json
import time
from argparse import Namespace
from collections.abc import Iterable
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.errors import Refused
from strikewatch.service.time_parsing import moment
from strikewatch.settings.tree import load
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.actions.feed_problems import Example, Problem, readable
from strikewatch.storage.engines.shared import Beside


def show(options: Namespace, *, senders: int, examples: int) -> int:
    """The sender with the newest problem first. Raises Refused, SettingsError, StoreError."""
    now = time.time_ns()
    since = None if options.since is None else moment(options.since, now, back=True)
    with Beside(load(options.config).store.where) as place, place.read() as connection:
        found = feed_problems.search(
            connection, now, site=options.site, hammer=options.hammer, sender=options.sender, since=since
        )
        if options.sender is not None:
            shown = feed_problems.examples(connection, options.sender, examples)
            if not found and not shown:
                raise Refused(
                    f"nothing of {options.sender!r} was rejected; `strikewatch rejects` lists the senders"
                )
    if options.sender is not None:
        _one(found, shown, as_json=options.json)
    else:
        _all(found, senders, as_json=options.json)
    return 0


def by_sender(problems: Iterable[Problem]) -> dict[str, list[Problem]]:
    """The problems of each sender, in the order given."""
    found: dict[str, list[Problem]] = {}
    for problem in problems:
        found.setdefault(problem.name, []).append(problem)
    return found


def _all(problems: list[Problem], limit: int, *, as_json: bool) -> None:
    senders = by_sender(problems)
    listed = dict(list(senders.items())[:limit])
    if as_json:
        _print_json(one.json() for own in listed.values() for one in own)
        return
    console = Console(highlight=False)
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


def _one(problems: list[Problem], examples: list[Example], *, as_json: bool) -> None:
    if as_json:
        _print_json(one.json() for one in examples)
        return
    console = Console(highlight=False)
    for sender, own in by_sender(problems).items():
        _sender(console, sender, own)
    if not examples:
        console.print("No payloads are kept of it (unknown keys and duplicates are only counted).")
    for example in examples:
        console.print(Text.assemble((_when(example.at), "bold"), f"  {example.topic}  {example.reason}"))
        console.print(Padding(Text(example.detail), (0, 0, 0, 4)))
        console.print(Padding(Text(readable(example.payload, 400)), (0, 0, 0, 4)))


def _when(at: Instant) -> str:
    return f"{instant.text(at)[:19].replace('T', ' ')} UTC"


def _print_json(lines: Iterable[dict[str, Any]]) -> None:
    for line in lines:
        print(json.dumps(line, ensure_ascii=False))
