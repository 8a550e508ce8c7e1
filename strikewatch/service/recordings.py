"""Recorded shifts as commands read them: which, in what form, under whose settings, and how much may be left out."""

from argparse import Namespace
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from rich.console import Console

from strikewatch.core.batch import Key
from strikewatch.core.instant import seconds
from strikewatch.errors import InputError
from strikewatch.service import loss
from strikewatch.service.precompile import warm
from strikewatch.service.progress import bar
from strikewatch.service.replay import Progress, Replayed, replay_shifts
from strikewatch.settings.tree import Settings, load
from strikewatch.sources.recordings import ReadOptions, Shift, open_shifts
from strikewatch.sources.recordings.read_options import read_options

LONG: Final = 2_000_000
"""Rows from which on a bar is shown: about a second of work."""

SETTINGS: Final = "settings.toml"
"""In a shift's folder: what is known of its hammers, for that shift alone."""

Change = Callable[[Settings], Settings]


@dataclass(frozen=True, slots=True)
class Recordings:
    """Recorded shifts, not yet opened.

    A `settings.toml` in a shift's folder is in force for that shift. Where a settings file was named (`config`), that
    one is in force for all.
    """

    paths: Sequence[Path]
    settings: Settings
    config: Path | None = None
    options: ReadOptions = field(default_factory=ReadOptions)
    allow_loss: float = loss.ALLOWED

    @staticmethod
    def asked(options: Namespace, settings: Settings) -> "Recordings":
        """As the command names them. Raises InputError where an option cannot be used."""
        if not 0 <= options.allow_loss <= 100:
            raise InputError(f"--allow-loss {options.allow_loss:g}: give a percentage from 0 to 100")
        how = read_options(options.column, options.as_hammer, options.as_site, options.zone)
        return Recordings(options.paths, settings, options.config, how, options.allow_loss)

    def open(self) -> list[Shift]:
        """The shifts at all paths. Raises InputError with the place and the remedy."""
        return [shift for path in self.paths for shift in open_shifts(path, self.options)]

    def replay(
        self,
        shifts: Sequence[Shift],
        progress: Progress | None = None,
        change: Change | None = None,
        only: Key | None = None,
    ) -> Replayed:
        """Run opened shifts through the detectors, each under its own settings, with a `change` to all of them.

        Raises InputError where more of a recording would be left out than is allowed; SettingsError.
        """
        settings = change(self.settings) if change else self.settings
        own = {s: (change(one) if change else one).of_hammer for s, one in self._own(shifts).items()}
        reorder = seconds(settings.intake.reorder_s)
        result = replay_shifts(shifts, settings.of_hammer, reorder, progress, only, own)
        if only is None:
            loss.check(result.lost, self.allow_loss)
        return result

    def replayed(self, notes: Console, change: Change | None = None) -> tuple[list[Shift], Replayed]:
        """Open and replay, with a bar where that takes long."""
        shifts = self.open()
        self._own(shifts)  # what is wrong with settings is said before any work
        warm(lambda text: notes.print(text, style="dim"))
        with bar(notes, sum(shift.total for shift in shifts), "rows", LONG) as told:
            return shifts, self.replay(shifts, told, change)

    def notes(self, shifts: Sequence[Shift]) -> Iterator[str]:
        """Which settings were used for which shift, where that is not plain."""
        found = {shift.place: path for shift in shifts if (path := settings_in_folder(shift)) is not None}
        if not found:
            return
        if self.config is not None:
            names = ", ".join(str(path) for path in found.values())
            yield f"settings: {self.config} for all recordings; not used, since it was named: {names}"
            return
        for path in found.values():
            yield f"settings of {path.parent}: its own {path.name}"
        if len(found) < len(shifts):
            yield "settings of the other recordings: those that `strikewatch settings` shows"

    def arguments(self) -> tuple[str, ...]:
        """The options of a command that reads them in the same way."""
        allowed = None if self.allow_loss == loss.ALLOWED else self.allow_loss
        return self.options.arguments(allowed)

    def _own(self, shifts: Sequence[Shift]) -> Mapping[int, Settings]:
        """The settings of the shifts that have some, by their number. Raises SettingsError."""
        if self.config is not None:
            return {}
        found = {s: path for s, shift in enumerate(shifts) if (path := settings_in_folder(shift)) is not None}
        return {s: load(path) for s, path in found.items()}


def print_notes(console: Console, lines: Iterator[str]) -> None:
    """What was left out or assumed, on standard error."""
    for line in lines:
        console.print(line, style="yellow", markup=False)


def settings_in_folder(shift: Shift) -> Path | None:
    """The settings in a shift's folder; a file alone has none."""
    if not shift.in_folder:
        return None
    path = Path(shift.place).parent / SETTINGS
    return path if path.is_file() else None
