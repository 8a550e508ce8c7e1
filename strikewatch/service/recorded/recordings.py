"""Recorded shifts for commands: paths, read options, settings, and the accepted loss."""

import time
from argparse import Namespace
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from rich.console import Console
from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar

from strikewatch.core.batch import Key
from strikewatch.core.instant import seconds
from strikewatch.errors import InputError
from strikewatch.service.precompile import precompile
from strikewatch.service.recorded.replay import (
    DEFAULT_ALLOWED_PERCENT,
    Progress,
    ReplayResult,
    check_loss,
    replay_shifts,
)
from strikewatch.settings.tree import Settings, load
from strikewatch.sources.recordings import ReadOptions, Shift, open_shifts
from strikewatch.sources.recordings.read_options import read_options

PROGRESS_FROM_ROWS: Final = 2_000_000
"""A progress bar is shown from this number of rows on: about a second of work."""

SETTINGS_FILE: Final = "settings.toml"
"""The file in a shift's folder with settings for that shift only."""

Change = Callable[[Settings], Settings]


@dataclass(frozen=True, slots=True)
class Recordings:
    """Recorded shifts, not yet opened.

    A `settings.toml` in a shift's folder applies to that shift. A settings file that was given (`config`) applies to
    all shifts instead.
    """

    paths: Sequence[Path]
    settings: Settings
    config: Path | None = None
    options: ReadOptions = field(default_factory=ReadOptions)
    allow_loss: float = DEFAULT_ALLOWED_PERCENT

    @staticmethod
    def from_options(options: Namespace, settings: Settings) -> "Recordings":
        """Create from a command's options. Raises InputError for an option that cannot be used."""
        if not 0 <= options.allow_loss <= 100:
            raise InputError(f"--allow-loss {options.allow_loss:g}: give a percentage from 0 to 100")
        how = read_options(options.column, options.as_hammer, options.as_site, options.zone)
        return Recordings(options.paths, settings, options.config, how, options.allow_loss)

    def open(self) -> list[Shift]:
        """Open the shifts at all paths. Raises InputError with the place and the remedy."""
        return [shift for path in self.paths for shift in open_shifts(path, self.options)]

    def replay(
        self,
        shifts: Sequence[Shift],
        progress: Progress | None = None,
        change: Change | None = None,
        only: Key | None = None,
    ) -> ReplayResult:
        """Replay opened shifts, each with its own settings, to all of which `change` is applied.

        Raises InputError if more of a recording would be left out than is allowed, and SettingsError.
        """
        settings = change(self.settings) if change else self.settings
        own = {s: (change(one) if change else one).of_hammer for s, one in self._own_settings(shifts).items()}
        reorder = seconds(settings.intake.reorder_s)
        result = replay_shifts(shifts, settings.of_hammer, reorder, progress, only, own)
        if only is None:
            check_loss(result.lost, self.allow_loss)
        return result

    def open_and_replay(
        self, notes: Console, change: Change | None = None
    ) -> tuple[list[Shift], ReplayResult]:
        """Open and replay the shifts, with a progress bar if there are many rows."""
        shifts = self.open()
        self._own_settings(shifts)  # report errors in settings before any work
        precompile(lambda text: notes.print(text, style="dim"), scanner=False)
        total = sum(shift.total for shift in shifts)
        with progress_bar(notes, total, "rows", PROGRESS_FROM_ROWS) as report:
            return shifts, self.replay(shifts, report, change)

    def notes(self, shifts: Sequence[Shift]) -> Iterator[str]:
        """Yield which settings were used for which shift, if any shift has its own."""
        found = {shift.place: path for shift in shifts if (path := settings_in_folder(shift)) is not None}
        if not found:
            return
        if self.config is not None:
            names = ", ".join(str(path) for path in found.values())
            yield f"settings: {self.config} for all recordings; therefore not used: {names}"
            return
        for path in found.values():
            yield f"settings of {path.parent}: its own {path.name}"
        if len(found) < len(shifts):
            yield "settings of the other recordings: those that `strikewatch settings` shows"

    def arguments(self) -> tuple[str, ...]:
        """Return the command-line options that read the recordings in the same way."""
        allowed = None if self.allow_loss == DEFAULT_ALLOWED_PERCENT else self.allow_loss
        return self.options.arguments(allowed)

    def _own_settings(self, shifts: Sequence[Shift]) -> Mapping[int, Settings]:
        """Load the shifts' own settings, by number of the shift. Raises SettingsError."""
        if self.config is not None:
            return {}
        found = {s: path for s, shift in enumerate(shifts) if (path := settings_in_folder(shift)) is not None}
        return {s: load(path) for s, path in found.items()}


def print_notes(console: Console, lines: Iterator[str]) -> None:
    """Print what was left out or assumed."""
    for line in lines:
        console.print(line, style="yellow", markup=False)


def settings_in_folder(shift: Shift) -> Path | None:
    """Return the settings file in a shift's folder; None if there is none, or the shift is a single file."""
    if not shift.in_folder:
        return None
    path = Path(shift.place).parent / SETTINGS_FILE
    return path if path.is_file() else None


@contextmanager
def delayed_bar(console: Console, what: str) -> Iterator[Progress | None]:
    """Yield a function to report progress to, shown as a bar after a second; None without a terminal."""
    if not console.is_terminal:
        yield None
        return
    begin = time.monotonic()
    columns = TextColumn(what), BarColumn(), TaskProgressColumn(), TimeRemainingColumn()
    bar = Bar(*columns, console=console, transient=True)
    task = bar.add_task(what)

    def report(done: int, total: int) -> None:
        if not bar.live.is_started and time.monotonic() - begin > 1.0:
            bar.start()
        bar.update(task, completed=done, total=total)

    try:
        yield report
    finally:
        bar.stop()


@contextmanager
def progress_bar(console: Console, total: int, what: str, long: int) -> Iterator[Progress | None]:
    """Yield a function to report progress to; None if `total` is less than `long`, or there is no terminal."""
    if total < long or not console.is_terminal:
        yield None
        return
    columns = (
        TextColumn("{task.completed:,} of {task.total:,} {task.description}"),
        BarColumn(),
        TimeRemainingColumn(),
    )
    with Bar(*columns, console=console, transient=True) as bar:
        task = bar.add_task(what, total=total)
        yield lambda done, _total: bar.update(task, completed=done)
