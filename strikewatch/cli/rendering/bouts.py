"""Bouts for people: what was judged and what was not, whose blows were blank, and each bout in a line."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from strikewatch.cli.rendering.local_time import heading, second
from strikewatch.core.bout import REASONS, Worked
from strikewatch.core.instant import SECOND


def judged(bouts: Iterable[Worked]) -> str:
    """One line: the share of firing time that could be judged for blank blows, and why the rest could not."""
    firing_ns = judged_ns = 0.0
    reasons: Counter[str] = Counter()
    for bout, _, _ in bouts:
        firing_ns += bout.end - bout.start
        judged_ns += bout.judged_ns
        reason = REASONS[int(bout.not_judged)]
        if reason:
            reasons[reason] += 1
    if not firing_ns:
        return "no firing"
    why = ", ".join(f"{n} {reason}" for reason, n in reasons.most_common())
    share = f"{100.0 * judged_ns / firing_ns:.0f} % of it judged for blank blows"
    return f"{share}; bouts not judged: {why}" if why else share


def by_operator(bouts: Sequence[Worked]) -> Table:
    """Operators and tools down; bouts, firing, the share judged, seconds and blows suspected blank."""
    rows: dict[tuple[str, str], list[Worked]] = defaultdict(list)
    for worked in bouts:
        rows[worked.operator or "unassigned", worked.tool or "·"].append(worked)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("operator", "tool", "bouts", "firing", "judged", "blank", "blows", "blank blows"):
        table.add_column(name, no_wrap=True, justify="left" if name in ("operator", "tool") else "right")
    for (operator, tool), own in sorted(rows.items()):
        firing_s = sum(one.bout.end - one.bout.start for one in own) / SECOND
        judged_s = sum(one.bout.judged_ns for one in own) / SECOND
        cells = (
            operator,
            tool,
            str(len(own)),
            f"{firing_s / 60.0:.1f} min",
            f"{100.0 * judged_s / firing_s:.0f} %" if firing_s else "·",
            f"{sum(one.bout.blank_ns for one in own) / SECOND:.1f} s",
            _sum(one.bout.blows for one in own),
            _sum(one.bout.blank_blows for one in own),
        )
        table.add_row(*map(Text, cells))
    return table


def _sum(counts: Iterable[float]) -> str:
    """The sum of what is known; a dot where blows could not be counted."""
    known = [count for count in counts if count == count]
    return f"{sum(known):,.0f}" if known else "·"


def show(console: Console, records: Sequence[dict[str, Any]]) -> None:
    """Each bout in a line; seconds, and the loaded level in bar."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in (heading("start"), "hammer", "operator", "firing", "blank", "blows", "bar", "not judged"):
        right = name in ("firing", "blank", "blows", "bar")
        table.add_column(name, no_wrap=True, justify="right" if right else "left")
    for one in records:
        level = one["level_bar"]
        cells = (
            second(one["start"]),
            one["hammer"],
            one["operator"] or "unassigned",
            f"{one['firing_s']:.1f}",
            f"{one['blank_s']:.1f}" if one["blank_s"] else "·",
            "·" if one["blows"] is None else str(one["blows"]),
            "·" if level is None else f"{level:.0f}",
            one["not_judged"] or "",
        )
        table.add_row(*map(Text, cells))
    console.print(table)
