"""A bar for long work, on standard error where somebody looks at it."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

Told = Callable[[int, int], None]
"""Told how much is done, and how much there is in all."""


@contextmanager
def bar(console: Console, total: int, what: str, long: int) -> Iterator[Told | None]:
    """Something to tell the progress to; None where there is less than `long` of it, or nobody looks."""
    if total < long or not console.is_terminal:
        yield None
        return
    columns = (
        TextColumn("{task.completed:,} of {task.total:,} {task.description}"),
        BarColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task(what, total=total)
        yield lambda done, _total: progress.update(task, completed=done)
