"""Where commands write: results to standard output, notes and progress to standard error."""

import json
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from os import environ
from typing import TYPE_CHECKING, Any, Final

import click

if TYPE_CHECKING:
    from rich.console import Console

UNWRAPPED: Final = 10_000
"""Width of output that no terminal shows: lines are never wrapped. COLUMNS sets another one."""
_VERBOSITY: Final = "strikewatch.verbosity"


def set_verbosity(context: click.Context, level: int) -> None:
    """Set what is printed on standard error: below 0 errors only, above 0 details too."""
    context.meta[_VERBOSITY] = level


def verbosity() -> int:
    """Return the level of the command that is running, 0 by default."""
    context = click.get_current_context(silent=True)
    return 0 if context is None else int(context.meta.get(_VERBOSITY, 0))


def notes() -> "Console":
    """Return the console for notes, warnings and progress: standard error, silent with --quiet."""
    from rich.console import Console

    return Console(stderr=True, highlight=False, soft_wrap=True, quiet=verbosity() < 0)


def detail(text: str) -> None:
    """Print a line on standard error with --verbose only."""
    if verbosity() > 0:
        click.echo(text, err=True)


def tables(piped_width: int = UNWRAPPED) -> "Console":
    """Return the console for tables: as wide as the terminal; piped, wide enough that nothing is wrapped."""
    from rich.console import Console

    class Tables(Console):
        """A console that leaves a closed pipe to `main`, where Rich would end the process with code 1."""

        def on_broken_pipe(self) -> None:
            raise BrokenPipeError

    return Tables(highlight=False, width=None if wraps() else piped_width)


def wraps() -> bool:
    """Return whether lines must fit a width: that of the terminal, or of COLUMNS."""
    return sys.stdout.isatty() or "COLUMNS" in environ


def print_json(records: Iterable[Mapping[str, Any]]) -> None:
    """Print one JSON object a line."""
    for record in records:
        print(json.dumps(record, ensure_ascii=False))


@contextmanager
def progress_status(what: str) -> Iterator[None]:
    """Show on standard error, if it is a terminal, that work of unknown length is in progress."""
    console = notes()
    if not console.is_terminal:
        yield
        return
    with console.status(what):
        yield
