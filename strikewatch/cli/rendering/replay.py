"""What a replay found, as tables for people: per hammer, per fault, per operator; narrow enough for 80 columns."""

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from strikewatch.cli.rendering.bouts import by_operator, judged
from strikewatch.cli.rendering.local_time import heading, second
from strikewatch.cli.rendering.not_monitored import less_certain, not_watched
from strikewatch.core.batch import Key
from strikewatch.service.replay import ReplayResult

SENTENCES: Final = 120
"""Columns from which on each alert is also told in a sentence."""

Records = Sequence[dict[str, Any]]


def show(console: Console, path: Path, result: ReplayResult) -> None:
    """Print the alerts of each hammer in onset order, then the counts."""
    records = result.records
    console.print(
        Text.assemble((str(path), "bold"), f": {result.counts.used:,} rows, {_many(len(records), 'alert')}")
    )
    sites = {site for site, _ in result.firing_h}
    bouts = result.bouts()
    for key, firing_h in sorted(result.firing_h.items()):
        own = [record for record in records if (record["site"], record["hammer"]) == key]
        console.print()
        console.print(_heading(key, firing_h, len(own), with_site=len(sites) > 1))
        console.print(Text(judged(one for one in bouts if one.bout.key == key), "dim"))
        if own:
            console.print(_alerts(own, sentences=console.width >= SENTENCES))
    if records:
        console.print()
        console.print(_counts("fault", ("low", "medium", "high"), _pairs(records, "fault", "priority")))
        console.print()
        console.print(_operators(records))
    if bouts:
        console.print()
        console.print(by_operator(bouts))
    for line in (*not_watched(result.silent), *less_certain(result.uncertain)):
        console.print()
        console.print(line, style="dim", highlight=False)
    console.print()
    console.print(
        "Advice, never a safety function; the hammer's handbook and local rules come first. "
        "Blank firing is suspected, not measured.",
        style="dim",
    )


def _heading(key: Key, firing_h: float, n: int, *, with_site: bool) -> Text:
    name = "/".join(key) if with_site else key[1]
    return Text.assemble((name, "bold"), f"  {firing_h:.2f} h of firing, {_many(n, 'alert')}")


def _many(n: int, what: str) -> str:
    return f"{n:,} {what}" if n == 1 else f"{n:,} {what}s"


def _alerts(records: Records, *, sentences: bool) -> Table:
    site = records[0]["site"]
    table = _table(heading("onset", site), "for", "fault", "priority", "operator", right=("for",))
    if sentences:
        table.add_column("what happened")
    for record in records:
        row = [
            f"{second(record['onset'], site)}{record['onset'][19:21]}",
            _lasted(record),
            record["fault"],
            record["priority"],
            record["operator"] or "unassigned",
        ]
        table.add_row(*map(Text, [*row, record["summary"]] if sentences else row))
    return table


def _table(*names: str, right: Sequence[str] = ()) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in names:
        table.add_column(name, no_wrap=True, justify="right" if name in right else "left")
    return table


def _lasted(record: dict[str, Any]) -> str:
    if record["cleared"] is None:
        return "still on"
    lasted = datetime.fromisoformat(record["cleared"]) - datetime.fromisoformat(record["onset"])
    tenths = round(lasted.total_seconds() * 10)
    if tenths < 600:
        return f"{tenths / 10:.1f} s"
    minutes, s = divmod(round(tenths / 10), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {s:02d} s"


def _pairs(records: Records, row: str, column: str) -> list[tuple[str, str]]:
    return [(record[row] or "unassigned", record[column]) for record in records]


def _operators(records: Records) -> Table:
    """Operators down and faults across, or turned where the faults would not fit beside each other."""
    faults = sorted({record["fault"] for record in records})
    operators = sorted({record["operator"] or "unassigned" for record in records})
    if len("  ".join(faults)) <= 60:
        return _counts("operator", faults, _pairs(records, "operator", "fault"))
    return _counts("fault", operators, _pairs(records, "fault", "operator"))


def _counts(what: str, names: Sequence[str], pairs: Iterable[tuple[str, str]]) -> Table:
    """A cross table: a row for each first of a pair, a column for each of `names`, and the sum."""
    counted = Counter(pairs)
    table = _table(what, *names, "all", right=(*names, "all"))
    for first in sorted({one for one, _ in counted}):
        row = [counted[first, name] for name in names]
        table.add_row(Text(first), *(str(n or "·") for n in row), str(sum(row)))
    return table
