"""`strikewatch what-if`: recorded shifts under other settings."""

from argparse import Namespace
from collections import Counter
from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click
from rich.console import Console
from rich.table import Table

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.output import heading, plain_table, second
from strikewatch.cli.settings_file import load_settings
from strikewatch.errors import InputError, SettingsError

if TYPE_CHECKING:
    from strikewatch.service.recorded.what_if import Pair, Run
    from strikewatch.settings.tree import Settings

MAX_LISTED: Final = 40
"""How many differing alerts are listed; --json has all."""


@shared.command(
    "strikewatch what-if replay_data/hot-bench --set faults.same_spot.limit_s=12",
    "strikewatch what-if replay_data/hot-bench --sweep faults.same_spot.limit_s=8:30:2 --html sweep.html",
)
@shared.shifts(required=True)
@shared.config
@click.option(
    "--set",
    multiple=True,
    metavar="NAME=VALUE",
    help="A changed setting, such as faults.same_spot.limit_s=12. Repeatable.",
)
@click.option("--sweep", metavar="NAME=VALUES", help="Such as faults.same_spot.limit_s=8:30:2, or =12,15,20.")
@click.option(
    "--html", type=shared.PATH, metavar="FILE", help="Also write the sweep as a chart in an HTML page."
)
@shared.as_json("one alert, or one value, a line")
def what_if(options: Namespace) -> None:
    """Replay shifts under the settings and under changed ones, and compare alert by alert and in rates.

    Or sweep one setting over several values and show the faults per firing hour at each.
    """
    if bool(options.set) == bool(options.sweep):
        raise click.UsageError("give a change: --set NAME=VALUE, or --sweep NAME=FIRST:LAST:STEP")
    settings = load_settings(options.config)
    from strikewatch.service.precompile import precompile

    precompile(lambda text: output.notes().print(text, style="dim"), scanner=False)
    (_sweep if options.sweep else _compare)(options, settings)


def _compare(options: Namespace, settings: "Settings") -> None:
    from strikewatch.service.recorded import what_if as trial
    from strikewatch.service.recorded.recordings import Recordings, print_notes
    from strikewatch.settings.tree import with_faults

    changes = trial.parse_changes(options.set)
    with_faults(settings, changes)  # mistakes in them are reported before replaying
    recordings = Recordings.from_options(options, settings)
    with output.progress_status("Replaying"):
        before = trial.run(recordings)
        after = trial.run(recordings, changes)
    print_notes(output.notes(), iter(before.notes))
    found = trial.pairs(before.records, after.records)
    if options.json:
        output.print_json(pair.json() for pair in found)
    else:
        _show_changes(output.tables(), options.set, before, after, found)


def _sweep(options: Namespace, settings: "Settings") -> None:
    from strikewatch.service.recorded import what_if as trial
    from strikewatch.service.recorded.recordings import Recordings, print_notes, progress_bar
    from strikewatch.settings.tree import with_faults

    name, _, text = options.sweep.partition("=")
    values = trial.parse_sweep(text)
    with_faults(settings, {name: values[0]})  # a mistake in the name is reported before replaying
    now = trial.current_value(settings, name)
    if isinstance(now, bool) or not isinstance(now, int | float):
        raise SettingsError([(name, "is not a number; only numbers can be swept, change others with --set")])
    notes = output.notes()
    with progress_bar(notes, len(values), "values", 2) as progress:
        runs = trial.sweep(Recordings.from_options(options, settings), name, values, progress)
    print_notes(notes, iter(runs[0].notes))
    rows = _sweep_rows(name, values, runs)
    if options.json:
        output.print_json(rows)
    else:
        _show_sweep(output.tables(), name, now, rows)
    if options.html is not None:
        _write_page(options.html, name, float(now), values, rows)


def _show_changes(
    console: Console, changes: Sequence[str], before: "Run", after: "Run", pairs: "Sequence[Pair]"
) -> None:
    """Print the differing alerts and the rates of both runs; `changes`: the options as given."""
    from strikewatch.disclaimer import CAUTION
    from strikewatch.service.recorded.what_if import CHANGES

    counts = Counter(pair.change for pair in pairs)
    summary = ", ".join(f"{counts[kind]} {kind}" for kind in CHANGES if counts[kind]) or "no alerts at all"
    console.print(f"With {', '.join(changes)}: {summary}.\n")
    console.print(_rates_table(before, after))
    console.print()
    table = plain_table(heading("onset"), "hammer", "operator", "fault", "what changes")
    differing = [pair for pair in pairs if pair.change != "same"]
    for pair in differing[:MAX_LISTED]:
        record = pair.record
        operator = record["operator"] or "unassigned"
        when = second(record["onset"])[5:]
        table.add_row(when, record["hammer"], operator, record["fault"], _difference(pair))
    if differing:
        console.print(table)
    if len(differing) > MAX_LISTED:
        console.print(f"… and {len(differing) - MAX_LISTED} more; --json has all.", style="dim")
    console.print(CAUTION, style="dim")


def _difference(pair: "Pair") -> str:
    before, after = pair.before, pair.after
    if before is None or after is None:
        return pair.change
    differences = [
        _time_change(name, before[name], after[name])
        for name in ("onset", "cleared")
        if before[name] != after[name]
    ]
    if before["priority"] != after["priority"]:
        differences.append(f"{before['priority']} to {after['priority']}")
    return "; ".join(differences)


def _time_change(name: str, before: str | None, after: str | None) -> str:
    if before is None or after is None:
        return f"{name} {'after all' if before is None else 'no more'}"
    from strikewatch.core import instant

    return f"{name} {(instant.parse(after) - instant.parse(before)) / instant.SECOND:+.1f} s"


def _rates_table(before: "Run", after: "Run") -> Table:
    from strikewatch.review.statistics.poisson import rate_limits

    table = plain_table("fault", "now", "changed", "per firing hour", "per firing hour, changed")
    counts = before.counts(), after.counts()
    for fault in sorted({*counts[0], *counts[1]}):
        cells = [fault, str(counts[0][fault]), str(counts[1][fault])]
        for count, hours in ((counts[0][fault], before.firing_h), (counts[1][fault], after.firing_h)):
            low, high = rate_limits([count], [hours])
            cells.append(f"{count / hours:.2f} ({low[0]:.2f}–{high[0]:.2f})" if hours else "–")
        table.add_row(*cells)
    return table


def _sweep_rows(name: str, values: Sequence[float], runs: "Sequence[Run]") -> list[dict[str, Any]]:
    """Return one row for each value and fault found: count, rate per firing hour and its 95 % limits."""
    from strikewatch.review.statistics.poisson import rate_limits
    from strikewatch.service.recorded import what_if as trial

    wanted = [fault for fault in trial.faults_of(name) if any(run.counts()[fault] for run in runs)]
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


def _show_sweep(console: Console, name: str, now: float, rows: Sequence[dict[str, Any]]) -> None:
    """Print the rows of a sweep; `now`: the present value."""
    from strikewatch.disclaimer import CAUTION

    console.print(f"Sweep of {name}, now {now:g}. Limits are exact, 95 %.\n")
    if not rows:
        console.print("No such fault at any of the values.")
    top = max((row["per_firing_hour"] or 0.0 for row in rows), default=0.0)
    table = plain_table(name.rpartition(".")[2], "fault", "count", "per hour", "95 % limits", "")
    for row in rows:
        rate = row["per_firing_hour"]
        cells = ["–", "–"] if rate is None else [f"{rate:.2f}", f"{row['lower']:.2f}–{row['upper']:.2f}"]
        length = round(24 * rate / top) if rate and top else 0
        mark = " ←" if row[name] == now else ""
        table.add_row(f"{row[name]:g}{mark}", row["fault"], str(row["count"]), *cells, "▬" * length)
    console.print(table)
    console.print(CAUTION, style="dim")


def _write_page(
    path: Path, name: str, now: float, values: Sequence[float], rows: Sequence[dict[str, Any]]
) -> None:
    """Write the chart as an HTML page. Raises InputError if it cannot be written."""
    import numpy as np

    from strikewatch.disclaimer import CAUTION
    from strikewatch.review.charts import style
    from strikewatch.review.charts.series import SweepLine, draw_sweep

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
