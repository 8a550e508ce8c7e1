"""What `strikewatch replay` prints."""

import json
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from strikewatch.hosts.replay import Progress as Told
from strikewatch.hosts.replay import Replayed, replay_shifts
from strikewatch.hosts.warm import warm
from strikewatch.intake.shift import open_shifts
from strikewatch.model.instant import seconds
from strikewatch.settings import load

LONG = 2_000_000
"""Rows from which on a bar is shown: about a second of work."""


def run(path: Path, config: Path | None, *, as_json: bool) -> int:
    """Replay and print: alert records to standard output with `as_json`, else tables. Notes go to standard error."""
    notes = Console(stderr=True, highlight=False, soft_wrap=True)
    settings = load(config)
    shifts = open_shifts(path)
    warm(lambda text: notes.print(text, style="dim"))
    total = sum(shift.total for shift in shifts)
    with _bar(notes, total) as told:
        result = replay_shifts(shifts, settings.of_hammer, seconds(settings.intake.reorder_s), told)
    for note in _notes(result):
        notes.print(note, style="yellow")
    if as_json:
        sys.stdout.writelines(json.dumps(record, ensure_ascii=False) + "\n" for record in result.records)
        sys.stdout.flush()
    else:
        _tables(Console(highlight=False), path, result)
    return 0


@contextmanager
def _bar(console: Console, total: int) -> Iterator[Told | None]:
    if total < LONG or not console.is_terminal:
        yield None
        return
    columns = (TextColumn("{task.completed:,} of {task.total:,} rows"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task("replay", total=total)
        yield lambda done, _total: progress.update(task, completed=done)


def _notes(result: Replayed) -> Iterator[str]:
    """What was left out, and where; silence about it would read as all well."""
    counts = result.counts
    for n, what in (
        (counts.duplicate, "duplicates of an instant already taken"),
        (
            counts.late,
            "late: older than rows already worked through; sort the table by time if it is not in order",
        ),
        (counts.wrong_clock, "from a wrong clock: far ahead of the rows that follow"),
    ):
        if n:
            yield f"{n} rows not used, {what}"
    for reason, n in result.bad.items():
        what = "events" if reason == "event" else "rows"
        yield f"{n} {what} skipped for a bad `{reason}`; the first: {result.examples.get(reason, 'unknown')}"
    if result.ignored:
        yield f"columns not known and not used: {', '.join(sorted(result.ignored))}"


def _tables(console: Console, path: Path, result: Replayed) -> None:
    records = result.records
    console.print(f"[bold]{path}[/bold]: {result.counts.used:,} rows, {len(records)} alerts")
    if records:
        alerts = Table(box=None, pad_edge=False, header_style="bold")
        for name in ("onset (UTC)", "hammer", "operator", "priority", "fault", "for", "what happened"):
            alerts.add_column(name, no_wrap=name != "what happened")
        for record in records:
            alerts.add_row(
                record["onset"][:22].replace("T", " "),
                record["hammer"],
                record["operator"] or "unassigned",
                record["priority"],
                record["fault"],
                _lasted(record),
                record["summary"],
            )
        console.print(alerts)
        console.print(_counts("fault", ((r["fault"], r["priority"]) for r in records)))
        console.print(_counts("operator", ((r["operator"] or "unassigned", r["fault"]) for r in records)))
    firing = Table(box=None, pad_edge=False, header_style="bold")
    firing.add_column("hammer")
    firing.add_column("firing hours", justify="right")
    firing.add_column("alerts", justify="right")
    for (site, hammer), hours in sorted(result.firing_h.items()):
        n = sum((r["site"], r["hammer"]) == (site, hammer) for r in records)
        firing.add_row(hammer, f"{hours:.2f}", str(n))
    console.print(firing)
    console.print(
        "Advice, never a safety function; the hammer's handbook and local rules come first. "
        "Blank firing is suspected, not measured.",
        style="dim",
    )


def _lasted(record: dict[str, Any]) -> str:
    if record["cleared"] is None:
        return "still on"
    from datetime import datetime

    lasted = datetime.fromisoformat(record["cleared"]) - datetime.fromisoformat(record["onset"])
    minutes, rest = divmod(lasted.total_seconds(), 60)
    return f"{minutes:.0f} min {rest:.0f} s" if minutes else f"{rest:.1f} s"


def _counts(what: str, pairs: Iterable[tuple[str, str]]) -> Table:
    """A cross table: one row a `what`, one column each second of a pair, and the sum."""
    counted = Counter(pairs)
    names = sorted({second for _, second in counted})
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column(what)
    for name in (*names, "all"):
        table.add_column(name, justify="right")
    for first in sorted({one for one, _ in counted}):
        row = [counted[first, name] for name in names]
        table.add_row(first, *(str(n or "·") for n in row), str(sum(row)))
    return table
