"""`strikewatch replay` and `convert`: run recorded shifts through the detectors, and make them of logger files."""

import time
from argparse import Namespace
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.output import (
    SENTENCES,
    counted,
    heading,
    less_certain,
    not_monitored,
    plain_table,
    second,
)
from strikewatch.cli.settings_file import load_settings
from strikewatch.core.instant import SECOND
from strikewatch.disclaimer import CAUTION
from strikewatch.errors import InputError

if TYPE_CHECKING:
    from strikewatch.core.batch import Key
    from strikewatch.core.bout import AttributedBout
    from strikewatch.service.recorded.converted import Converted
    from strikewatch.service.recorded.recordings import Recordings
    from strikewatch.service.recorded.replay import ReplayResult
    from strikewatch.settings.tree import Settings


Records = Sequence[dict[str, Any]]


@shared.command(
    "strikewatch replay replay_data/hot-bench",
    "strikewatch replay shifts/ --json | jq .summary",
    "strikewatch replay shift.csv --column pressure_bar='Druck [bar]' --zone Europe/Vienna",
    "strikewatch replay bench.blf --source can-logger",
)
@shared.shifts(required=True, count=1)
@shared.source(required=False)
@shared.config
@shared.as_json("one alert record a line")
@click.option("--bouts", is_flag=True, help="List bouts of firing instead of alerts: seconds, blows, levels.")
@shared.filters("hammer")
@shared.period("the start of the recording", "its end")
def replay(options: Namespace) -> None:
    """Run a recorded shift through the detectors.

    PATH is a shift's folder, one .parquet or .csv file, or a folder of shifts; with --source, a logger file. Notes go
    to standard error. The exit code is 0 whether or not there are alerts.
    """
    from strikewatch.service.recorded.recordings import print_notes
    from strikewatch.service.time_window import TimeWindow, parse_period

    notes = output.notes()
    settings = load_settings(options.config)
    part = TimeWindow(options.hammer, *parse_period(options.begin, options.end, time.time_ns()))
    with _recordings(options, settings, notes) as recordings:
        shifts, result = recordings.open_and_replay(notes)
        print_notes(notes, chain(recordings.notes(shifts), result.notes()))
    result = result.within(part)
    records = [bout.record() for bout in result.bouts()] if options.bouts else result.records
    if options.json:
        output.print_json(records)
    elif options.bouts:
        _show_bouts(output.tables(), records)
    else:
        _show_alerts(output.tables(), options.paths[0], result)


@contextmanager
def _recordings(options: Namespace, settings: "Settings", notes: Console) -> "Iterator[Recordings]":
    """Yield the recordings to replay: those at the path, or the logger files at it, converted."""
    from strikewatch.service.recorded.recordings import Recordings

    if options.source is None:
        if options.sources is not None or options.start is not None:
            raise InputError(
                "--sources and --start belong to --source, which names how logger files are read"
            )
        yield Recordings.from_options(options, settings)
        return
    if options.column or options.as_hammer or options.as_site or options.zone:
        raise InputError(
            "--source reads logger files by its table: write columns, hammer, site and zone there, and leave out "
            "--column, --as-hammer, --as-site and --zone"
        )
    from strikewatch.service.recorded.logger_files import LoggerFiles

    with LoggerFiles.from_options(options, settings).converted(options.paths, notes) as folder:
        yield Recordings([folder], settings, options.config)


def _show_alerts(console: Console, path: Path, result: "ReplayResult") -> None:
    """Print the alerts of each hammer in onset order, then the counts."""
    records = result.records
    rows = f"{result.counts.used:,} rows"
    console.print(Text.assemble((str(path), "bold"), f": {rows}, {counted(len(records), 'alert')}"))
    sites = {site for site, _ in result.firing_h}
    bouts = result.bouts()
    for key, firing_h in sorted(result.firing_h.items()):
        own = [record for record in records if (record["site"], record["hammer"]) == key]
        console.print()
        console.print(_heading(key, firing_h, len(own), with_site=len(sites) > 1))
        console.print(
            _judged_share(attributed for attributed in bouts if attributed.bout.key == key), style="dim"
        )
        if own:
            console.print(_alerts_table(own, sentences=console.width >= SENTENCES))
    if records:
        console.print()
        console.print(_cross_table("fault", ("low", "medium", "high"), _pairs(records, "fault", "priority")))
        console.print()
        console.print(_operator_counts(records))
    if bouts:
        console.print()
        console.print(_operators_table(bouts))
    for line in (*not_monitored(result.silent), *less_certain(result.uncertain)):
        console.print()
        console.print(line, style="dim")
    console.print()
    console.print(CAUTION, style="dim")


def _heading(key: "Key", firing_h: float, n: int, *, with_site: bool) -> Text:
    name = "/".join(key) if with_site else key[1]
    return Text.assemble((name, "bold"), f"  {firing_h:.2f} h of firing, {counted(n, 'alert')}")


def _alerts_table(records: Records, *, sentences: bool) -> Table:
    site = records[0]["site"]
    table = plain_table(heading("onset", site), "for", "fault", "priority", "operator", right=("for",))
    if sentences:
        table.add_column("what happened", overflow="fold")
    for record in records:
        row = [
            f"{second(record['onset'], site)}{record['onset'][19:21]}",
            _duration(record),
            record["fault"],
            record["priority"],
            record["operator"] or "unassigned",
        ]
        table.add_row(*row, *([record["summary"]] if sentences else ()))
    return table


def _duration(record: dict[str, Any]) -> str:
    if record["cleared"] is None:
        return "active"
    duration = datetime.fromisoformat(record["cleared"]) - datetime.fromisoformat(record["onset"])
    tenths = round(duration.total_seconds() * 10)
    if tenths < 600:
        return f"{tenths / 10:.1f} s"
    minutes, s = divmod(round(tenths / 10), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {s:02d} s"


def _pairs(records: Records, row: str, column: str) -> list[tuple[str, str]]:
    return [(record[row] or "unassigned", record[column]) for record in records]


def _operator_counts(records: Records) -> Table:
    """Return a table of operators by faults, transposed if there are too many faults for the width."""
    faults = sorted({record["fault"] for record in records})
    operators = sorted({record["operator"] or "unassigned" for record in records})
    if len("  ".join(faults)) <= 60:
        return _cross_table("operator", faults, _pairs(records, "operator", "fault"))
    return _cross_table("fault", operators, _pairs(records, "fault", "operator"))


def _cross_table(what: str, names: Sequence[str], pairs: Iterable[tuple[str, str]]) -> Table:
    """Count pairs in a table: a row per first item, a column per second (`names`), and a column of totals."""
    counted = Counter(pairs)
    table = plain_table(what, *names, "all", right=(*names, "all"))
    for first in sorted({one for one, _ in counted}):
        row = [counted[first, name] for name in names]
        table.add_row(first, *(str(n or "·") for n in row), str(sum(row)))
    return table


def _judged_share(bouts: "Iterable[AttributedBout]") -> str:
    """Describe the share of firing time judged for blank firing, and why the rest was not."""
    from strikewatch.core.bout import REASONS

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
    share = f"{100.0 * judged_ns / firing_ns:.0f} % of it could be judged for blank firing"
    return f"{share}; bouts not judged: {why}" if why else share


def _operators_table(bouts: "Sequence[AttributedBout]") -> Table:
    """Return a table by operator and tool: bouts, firing, share judged, seconds and blows suspected blank."""
    rows: dict[tuple[str, str], list[AttributedBout]] = defaultdict(list)
    for attributed in bouts:
        rows[attributed.operator or "unassigned", attributed.tool or "·"].append(attributed)
    numbers = "bouts", "firing", "judged", "blank", "blows", "blank blows"
    table = plain_table("operator", "tool", *numbers, right=numbers)
    for (operator, tool), own in sorted(rows.items()):
        firing_s = sum(attributed.bout.end - attributed.bout.start for attributed in own) / SECOND
        judged_s = sum(attributed.bout.judged_ns for attributed in own) / SECOND
        cells = (
            operator,
            tool,
            str(len(own)),
            f"{firing_s / 60.0:.1f} min",
            f"{100.0 * judged_s / firing_s:.0f} %" if firing_s else "·",
            f"{sum(attributed.bout.blank_ns for attributed in own) / SECOND:.1f} s",
            _known_sum(attributed.bout.blows for attributed in own),
            _known_sum(attributed.bout.blank_blows for attributed in own),
        )
        table.add_row(*cells)
    return table


def _known_sum(counts: Iterable[float]) -> str:
    """Return the sum of the known counts; a dot if no blows were counted."""
    known = [count for count in counts if count == count]
    return f"{sum(known):,.0f}" if known else "·"


def _show_bouts(console: Console, records: Sequence[dict[str, Any]]) -> None:
    """Print each bout in a line: seconds, and the loaded level in bar."""
    numbers = "firing", "blank", "blows", "bar"
    table = plain_table(heading("start"), "hammer", "operator", *numbers, "not judged", right=numbers)
    for bout in records:
        level = bout["level_bar"]
        cells = (
            second(bout["start"]),
            bout["hammer"],
            bout["operator"] or "unassigned",
            f"{bout['firing_s']:.1f}",
            f"{bout['blank_s']:.1f}" if bout["blank_s"] else "·",
            "·" if bout["blows"] is None else str(bout["blows"]),
            "·" if level is None else f"{level:.0f}",
            bout["not_judged"] or "",
        )
        table.add_row(*cells)
    console.print(table)


@shared.command(
    "strikewatch convert shift.csv --source cab-logger --to shifts/2026-03-04",
    "strikewatch convert log_1.blf log_2.blf --source can-logger --to shifts/2026-03-04",
    "strikewatch convert raw.asc --source can-logger --start 2026-03-04T07:15:00+01:00 --to shifts/raw",
)
@click.argument("logs", nargs=-1, required=True, type=shared.PATH, metavar="LOG...")
@shared.source(required=True)
@click.option(
    "--to", type=shared.PATH, required=True, metavar="FOLDER", help="New folder for the recorded shift."
)
@shared.allow_loss
@shared.config
@shared.as_json("what was written, as one object")
def convert(options: Namespace) -> None:
    """Turn logger files into a recorded shift.

    LOG is a CSV or Excel table, a CAN log (candump, ASC, BLF, TRC) or an MDF file; several are the parts of one log.
    A table of sources.toml says which columns or signals are which channels: strikewatch guide recordings. Notes go to
    standard error.
    """
    from strikewatch.service.recorded.logger_files import LoggerFiles

    notes = output.notes()
    files = LoggerFiles.from_options(options, load_settings(options.config))
    converted = files.convert(options.logs, options.to, notes)
    if options.json:
        output.print_json([converted.record()])
    else:
        _show(converted, options.to)


def _show(converted: "Converted", folder: Path) -> None:
    """Print what was written of each hammer."""
    console = output.tables()
    table = plain_table("site", "hammer", "rows", output.heading("from"), "to", right=("rows",))
    for (site, hammer), own in sorted(converted.hammers.items()):
        table.add_row(
            site, hammer, f"{own.n:,}", output.second(own.first, site), output.second(own.last, site)
        )
    console.print(table)
    console.print(f"\nchannels: {', '.join(converted.channels)}")
    if converted.events:
        console.print(f"events: {converted.events:,}")
    console.print(f"strikewatch replay {folder}", style="dim")
