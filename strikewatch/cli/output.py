"""What commands write: results to standard output, notes and progress to standard error; tables and local times.

Times are shown in the time zone of their site (settings `sites.zone` and `sites.zones`).
"""

import json
import sys
from argparse import Namespace
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from os import environ
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import click

from strikewatch.core import instant
from strikewatch.core.instant import Instant

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from strikewatch.core.batch import Key
    from strikewatch.sinks.sites import Sites

    Reasons = Mapping[Key, Sequence[tuple[str, str]]]
    """(fault, reason) of each, by hammer."""

UNWRAPPED: Final = 10_000
"""Width of output that no terminal shows: lines are never wrapped. COLUMNS sets another one."""
SENTENCES: Final = 120
"""Width in columns from which each alert is also described in a sentence."""
_VERBOSITY: Final = "strikewatch.verbosity"
_NO_COLOR: Final = "strikewatch.no_color"
_SITES: Final = "strikewatch.sites"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_UTC: Final = ZoneInfo("UTC")


def configure(context: click.Context, *, verbosity: int, no_color: bool) -> None:
    """Set what is printed on standard error (below 0 errors only, above 0 details too), and whether in color."""
    context.meta.update({_VERBOSITY: verbosity, _NO_COLOR: no_color})


def _setting(name: str) -> int:
    """Return a setting of the command that is running, 0 by default."""
    context = click.get_current_context(silent=True)
    return 0 if context is None else int(context.meta.get(name, 0))


def notes() -> "Console":
    """Return the console for notes, warnings and progress: standard error, silent with --quiet."""
    from rich.console import Console

    quiet, no_color = _setting(_VERBOSITY) < 0, bool(_setting(_NO_COLOR)) or None
    return Console(stderr=True, highlight=False, soft_wrap=True, quiet=quiet, no_color=no_color)


def detail(text: str) -> None:
    """Print a line on standard error with --verbose only."""
    if _setting(_VERBOSITY) > 0:
        click.echo(text, err=True)


def tables(piped_width: int = UNWRAPPED) -> "Console":
    """Return the console for tables: as wide as the terminal; piped, wide enough that nothing is wrapped.

    Texts are printed as they are, without markup.
    """
    from rich.console import Console

    class Tables(Console):
        """A console that leaves a closed pipe to `main`, where Rich would end the process with code 1."""

        def on_broken_pipe(self) -> None:
            raise BrokenPipeError

    wraps = sys.stdout.isatty() or "COLUMNS" in environ
    width, no_color = None if wraps else piped_width, bool(_setting(_NO_COLOR)) or None
    return Tables(highlight=False, markup=False, emoji=False, width=width, no_color=no_color)


def print_json(records: Iterable[Mapping[str, Any]]) -> None:
    """Print one JSON object a line."""
    for record in records:
        print(json.dumps(record, ensure_ascii=False))


def print_result(options: Namespace, record: Mapping[str, Any], *lines: str) -> None:
    """Print the outcome of an action: the record with --json, otherwise the lines."""
    if options.json:
        print_json([record])
    else:
        for line in lines:
            print(line)


def print_cut(listed: int, total: int, what: str) -> None:
    """Note on standard error that a list of so many was cut by its limit."""
    if listed < total:
        notes().print(f"{listed:,} of {total:,} {what}; --limit {total} lists all.", style="dim")


@contextmanager
def progress_status(what: str, *, shown: bool = True) -> Iterator[None]:
    """Show on standard error, if it is a terminal, that work of unknown length is in progress."""
    console = notes()
    if not shown or not console.is_terminal:
        yield
        return
    with console.status(what):
        yield


def plain_table(*names: str, right: Container[str] = (), wrap: Container[str] = (), gap: int = 2) -> "Table":
    """Return an empty table without lines. Columns in `right` hold numbers; only cells of those in `wrap` wrap."""
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, gap, 0, 0), header_style="dim")
    for name in names:
        table.add_column(
            name, justify="right" if name in right else "left", no_wrap=name not in wrap, overflow="fold"
        )
    return table


def counted(count: int, noun: str) -> str:
    """Return a count with its noun: 1 alert, 2,000 alerts."""
    return f"{count:,} {noun}{'' if count == 1 else 's'}"


def use_zones(sites: "Sites") -> None:
    """Show times in the time zones of these sites in the running command."""
    context = click.get_current_context(silent=True)
    if context is not None:
        context.meta[_SITES] = sites


def zone(site: str = "") -> ZoneInfo:
    """Return the time zone of a site; without one, that of all sites; outside a command, UTC."""
    context = click.get_current_context(silent=True)
    sites = None if context is None else context.meta.get(_SITES)
    return _UTC if sites is None else sites.zone_of(site)


def local(at: Instant | str, site: str = "") -> datetime:
    """Return an instant, or its RFC 3339 text, in local time, to the microsecond."""
    ns = instant.parse(at) if isinstance(at, str) else at
    return (_EPOCH + timedelta(microseconds=ns // 1000)).astimezone(zone(site))


def minute(at: Instant | str, site: str = "") -> str:
    """Return month, day, hour and minute, for a column whose heading names the zone."""
    return f"{local(at, site):%m-%d %H:%M}"


def second(at: Instant | str, site: str = "") -> str:
    """Return date and time to the second, for a column whose heading names the zone."""
    return f"{local(at, site):%Y-%m-%d %H:%M:%S}"


def minute_and_zone(at: Instant | str, site: str = "") -> str:
    """Return month, day, hour, minute and the zone, for a sentence."""
    return f"{local(at, site):%m-%d %H:%M %Z}"


def heading(what: str, site: str = "") -> str:
    """Return the heading of a column of times, with the zone."""
    return f"{what} ({zone(site).key})"


def not_monitored(unmonitored: "Reasons") -> Iterator[str]:
    """Yield which faults the feeds cannot show, and why: one line for all hammers that are alike."""
    return _lines("Not monitored on", unmonitored)


def less_certain(inferred: "Reasons") -> Iterator[str]:
    """Yield which faults are only inferred, and why: one line for all hammers that are alike."""
    return _lines("Less certain on", inferred)


def _lines(head: str, reasons_of: "Reasons") -> Iterator[str]:
    hammers_with: dict[tuple[tuple[str, str], ...], list[str]] = {}
    for (_, hammer), reasons in sorted(reasons_of.items()):
        hammers_with.setdefault(tuple(reasons), []).append(hammer)
    for reasons, hammers in hammers_with.items():
        if reasons:
            faults = ", ".join(f"{fault} ({reason})" for fault, reason in reasons)
            yield f"{head} {', '.join(hammers)}: {faults}."
