"""What other settings would change: alert by alert, or a sweep of one setting; on screen or as a page."""

from collections import Counter
from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Any, Final

import numpy as np
from rich.console import Console
from rich.table import Table

from strikewatch.cli.rendering.local_time import heading, second
from strikewatch.core import instant
from strikewatch.disclaimer import CAUTION
from strikewatch.errors import InputError
from strikewatch.review.charts import style
from strikewatch.review.charts.series import SweepLine, draw_sweep
from strikewatch.review.statistics.poisson import rate_limits
from strikewatch.review.what_if import CHANGES, Pair
from strikewatch.service import what_if
from strikewatch.service.what_if import Run

LINES: Final = 40
"""Alerts told one by one at most; --json has all."""


def show_changes(
    console: Console, said: Sequence[str], before: Run, after: Run, found: Sequence[Pair]
) -> None:
    """Print the differing alerts and the rates of both runs; `said`: the changes as given."""
    tally = Counter(pair.change for pair in found)
    told = ", ".join(f"{tally[change]} {change}" for change in CHANGES if tally[change]) or "no alerts at all"
    console.print(f"With {', '.join(said)}: {told}.\n")
    console.print(_rates(before, after))
    console.print()
    table = _table(heading("onset"), "hammer", "operator", "fault", "what changes")
    differing = [pair for pair in found if pair.change != "same"]
    for pair in differing[:LINES]:
        record = pair.record
        operator = record["operator"] or "unassigned"
        when = second(record["onset"])[5:]
        table.add_row(when, record["hammer"], operator, record["fault"], _what(pair))
    if differing:
        console.print(table)
    if len(differing) > LINES:
        console.print(f"… and {len(differing) - LINES} more; --json has all.", style="dim")
    console.print(CAUTION, style="dim")


def _what(pair: Pair) -> str:
    before, after = pair.before, pair.after
    if before is None or after is None:
        return pair.change
    said = [
        _shift(name, before[name], after[name])
        for name in ("onset", "cleared")
        if before[name] != after[name]
    ]
    if before["priority"] != after["priority"]:
        said.append(f"{before['priority']} to {after['priority']}")
    return "; ".join(said)


def _shift(name: str, before: str | None, after: str | None) -> str:
    if before is None or after is None:
        return f"{name} {'after all' if before is None else 'no more'}"
    return f"{name} {(instant.parse(after) - instant.parse(before)) / instant.SECOND:+.1f} s"


def _rates(before: Run, after: Run) -> Table:
    table = _table("fault", "now", "supposed", "per firing hour now", "supposed")
    counts = before.counts(), after.counts()
    for fault in sorted({*counts[0], *counts[1]}):
        cells = [fault, str(counts[0][fault]), str(counts[1][fault])]
        for count, hours in ((counts[0][fault], before.firing_h), (counts[1][fault], after.firing_h)):
            low, high = rate_limits([count], [hours])
            cells.append(f"{count / hours:.2f} ({low[0]:.2f}–{high[0]:.2f})" if hours else "–")
        table.add_row(*cells)
    return table


def sweep_rows(name: str, values: Sequence[float], runs: Sequence[Run]) -> list[dict[str, Any]]:
    """One row a value and fault that was ever found: count, rate per firing hour and its limits."""
    wanted = [fault for fault in what_if.faults_of(name) if any(run.counts()[fault] for run in runs)]
    rows = []
    for value, run in zip(values, runs, strict=True):
        for fault in wanted:
            n = run.counts()[fault]
            low, high = (float(one[0]) if run.firing_h else None for one in rate_limits([n], [run.firing_h]))
            rate = n / run.firing_h if run.firing_h else None
            rows.append(
                {name: value, "fault": fault, "count": n, "firing_h": run.firing_h}
                | {"per_firing_hour": rate, "lower": low, "upper": high}
            )
    return rows


def show_sweep(console: Console, name: str, now: float, rows: Sequence[dict[str, Any]]) -> None:
    """Print the rows of a sweep; `now`: the value in force."""
    console.print(f"Sweep of {name}, now {now:g}. Limits are exact, 95 %.\n")
    if not rows:
        console.print("No such fault at any of the values.")
    top = max((row["per_firing_hour"] or 0.0 for row in rows), default=0.0)
    table = _table(name.rpartition(".")[2], "fault", "count", "per hour", "95 % limits", "")
    for row in rows:
        rate = row["per_firing_hour"]
        told = ["–", "–"] if rate is None else [f"{rate:.2f}", f"{row['lower']:.2f}–{row['upper']:.2f}"]
        length = round(24 * rate / top) if rate and top else 0
        mark = " ←" if row[name] == now else ""
        table.add_row(f"{row[name]:g}{mark}", row["fault"], str(row["count"]), *told, "▬" * length)
    console.print(table)
    console.print(CAUTION, style="dim")


def write_page(
    path: Path, name: str, now: float, values: Sequence[float], rows: Sequence[dict[str, Any]]
) -> None:
    """The picture as a page of its own. Raises InputError where it cannot be written."""
    lines = []
    for fault in dict.fromkeys(row["fault"] for row in rows):
        own = [row for row in rows if row["fault"] == fault]
        columns = (
            np.array([row[key] for row in own], float) for key in ("per_firing_hour", "lower", "upper")
        )
        lines.append(SweepLine(fault, *columns))
    title = f"Faults per firing hour against {name}"
    svg = draw_sweep("sweep", name, np.array(values), now, lines, title)
    page = (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{escape(title)}</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{style()}body{{background:var(--p-ground);color:var(--p-ink);font-family:system-ui,sans-serif;"
        f"max-width:46rem;margin:1rem auto;padding:0 1rem}}</style><main><h1>{escape(title)}</h1>{svg}"
        f"<p>{escape(CAUTION)}</p></main></html>\n"
    )
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror}); name another file") from None


def _table(*names: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in names:
        table.add_column(name, no_wrap=True)
    return table
