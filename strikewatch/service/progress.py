"""A progress bar for long work, shown if standard error is a terminal."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

ReportProgress = Callable[[int, int], None]
"""Called with the amount done and the total."""


@contextmanager
def progress_bar(console: Console, total: int, what: str, long: int) -> Iterator[ReportProgress | None]:
    """Yield a function to report progress to; None if `total` is less than `long`, or there is no terminal."""
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
