"""Logger files for commands: which files, by which source, into a folder or straight into a replay."""

import re
import tempfile
from argparse import Namespace
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.errors import InputError, SettingsError
from strikewatch.service.recorded.convert import convert
from strikewatch.service.recorded.converted import Converted
from strikewatch.service.recorded.recordings import delayed_bar, print_notes
from strikewatch.settings.tree import Settings
from strikewatch.sources.mapping.mistakes import read_tables
from strikewatch.sources.mapping.tables import FILE_PAYLOADS, SourceTable, close


@dataclass(frozen=True, slots=True)
class LoggerFiles:
    """How logger files are read. `folder`: where the paths of DBC files begin. `start`: when the log began."""

    source: SourceTable
    folder: Path
    start: Instant | None
    allow_loss: float

    @staticmethod
    def from_options(options: Namespace, settings: Settings) -> "LoggerFiles":
        """Create from a command's options. Raises InputError and SettingsError."""
        path = _tables_path(options, settings)
        source = find_source(options.source, path)
        return LoggerFiles(source, path.parent, _start(options.start), options.allow_loss)

    def convert(self, logs: Sequence[Path], folder: Path, notes: Console) -> Converted:
        """Write the recorded shift of logs, files or folders of them, into a folder. Raises InputError."""
        files = [file for path in logs for file in self._files(path)]
        with delayed_bar(notes, "reading the log") as progress:
            converted = convert(
                self.source,
                files,
                folder,
                dbc_folder=self.folder,
                start=self.start,
                allow_loss=self.allow_loss,
                progress=progress,
            )
        print_notes(notes, converted.all_notes())
        return converted

    @contextmanager
    def converted(self, logs: Sequence[Path], notes: Console) -> Iterator[Path]:
        """Convert logs into a folder that is removed at the end, and yield it."""
        with tempfile.TemporaryDirectory(prefix="strikewatch-") as made:
            folder = Path(made) / "shift"
            self.convert(logs, folder, notes)
            yield folder

    def _files(self, path: Path) -> list[Path]:
        """Return the file, or the files of a folder that match the source's `file`: log_2 before log_10."""
        if not path.is_dir():
            if not path.exists():
                raise InputError(f"{path}: no such file or folder; name a logger file")
            return [path]
        pattern = self.source.file or "*"
        found = sorted((one for one in path.glob(pattern) if one.is_file()), key=_natural)
        if not found:
            raise InputError(
                f"{path}: no file in it matches file = {pattern!r} of the source; name the files"
            )
        return found


def find_source(name: str, path: Path) -> SourceTable:
    """Return the source of that name. Raises InputError, and SettingsError for mistakes in its table."""
    tables, problems = read_tables(path)
    own = [
        (place, what) for place, what in problems if f"{place}.".startswith((f"{path}: {name}.", f"{path}."))
    ]
    if own:
        raise SettingsError(own)
    if name not in tables:
        named = ", ".join(tables) or "none"
        raise InputError(
            f"--source {name}: no such source in {path}{close(name, tables)}; there are: {named}"
        )
    source = tables[name]
    if source.payload not in FILE_PAYLOADS:
        raise InputError(
            f'--source {name}: is of messages, not of files; a source of logger files has file = "*.csv" and '
            f'payload = "table" or "can"'
        )
    return source


def _tables_path(options: Namespace, settings: Settings) -> Path:
    path = options.sources or settings.sources_file or Path("sources.toml")
    if not path.is_file():
        raise InputError(
            f"{path}: no such file; name the tables of sources with --sources, or as `sources_file` in the settings"
        )
    return Path(path)


def _start(text: str | None) -> Instant | None:
    if text is None:
        return None
    try:
        return instant.parse(text)
    except ValueError as error:
        raise InputError(f"--start {text}: {error}") from None


def _natural(path: Path) -> list[tuple[int, str]]:
    return [(int(part), "") if part.isdigit() else (0, part) for part in re.split(r"(\d+)", path.name)]
