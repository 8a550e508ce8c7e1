"""Recordings of a fleet: where they are, and which hammers each of them holds."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, NamedTuple
from urllib.parse import quote

from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.errors import InputError, SettingsError
from strikewatch.service.recorded.recordings import SETTINGS_FILE, settings_in_folder
from strikewatch.settings.tree import Settings, load
from strikewatch.sources.recordings import SAMPLES, ReadOptions, Shift, open_shifts, shift_folders
from strikewatch.sources.recordings.merge import Merge

_FILES: Final = (*SAMPLES, "events.jsonl", SETTINGS_FILE)


class Recording(NamedTuple):
    """One hammer's part of a recording: its first row or event, its last row, and how many rows it has."""

    site: str
    hammer: str
    place: str
    fingerprint: str
    first: Instant
    last: Instant
    rows: int

    @property
    def key(self) -> Key:
        return self.site, self.hammer


@dataclass(frozen=True, slots=True)
class SurveyResult:
    """What a recording holds, or why it cannot be used."""

    place: str
    found: tuple[Recording, ...] = ()
    refused: str = ""


def find_places(paths: Sequence[Path]) -> Iterator[str]:
    """Yield the absolute path of each recording below some paths, each once. Raises InputError for an unusable path."""
    seen: set[Path] = set()
    for path in paths:
        path = path.absolute()
        found = [path] if path.is_file() else list(shift_folders(path)) if path.is_dir() else []
        if not found:
            open_shifts(path)  # says what is wrong with it
        for one in found:
            if one not in seen:
                seen.add(one)
                yield str(one)


def fingerprint(place: str) -> str:
    """Return names, sizes and times of change of a recording's files: another one means that it must be read again."""
    path = Path(place)
    files = [path] if path.is_file() else [path / name for name in _FILES if (path / name).is_file()]
    return " ".join(f"{file.name}:{(s := file.stat()).st_size}:{s.st_mtime_ns}" for file in files)


def open_recording(place: str, options: ReadOptions) -> Shift:
    """Open a recording. Folders such as `site=fennick-hollow/hammer=HB-01/` name what its table does not.

    Raises InputError.
    """
    named = dict(part.split("=", 1) for part in Path(place).parts if part.startswith(("site=", "hammer=")))
    options = replace(
        options, site=options.site or named.get("site"), hammer=options.hammer or named.get("hammer")
    )
    (shift,) = open_shifts(Path(place), options)
    return shift


def own_settings(shift: Shift) -> Settings | None:
    """Return the settings in a recording's folder, None if it has none. Raises SettingsError."""
    path = settings_in_folder(shift)
    return None if path is None else load(path)


def survey(place: str, options: ReadOptions, *, own: bool) -> SurveyResult:
    """Find out which hammers a recording holds, and when. `own`: its own settings are used, so they are checked too."""
    mark = fingerprint(place)
    try:
        shift = open_recording(place, options)
        merge = Merge([shift])
        if own:
            own_settings(shift)
    except (InputError, SettingsError) as error:
        return SurveyResult(place, refused=str(error))
    times: dict[Key, list[Instant]] = defaultdict(list)
    for event in shift.events:
        times[event.site, event.hammer].append(event.effective)
    found = []
    for key in dict.fromkeys([*merge.starts, *times]):
        events = times.get(key, [])
        if key in merge.starts:
            first, last = merge.starts[key][0], merge.ends[key][0]
        else:
            first, last = min(events), max(events)
        found.append(Recording(*key, place, mark, min([first, *events]), last, merge.row_counts.get(key, 0)))
    return SurveyResult(place, tuple(found), "" if found else f"{place}: no row can be used")


def file_name(name: str) -> str:
    """Return a name that is one part of a path, whatever the table holds."""
    quoted = quote(name, safe=" +")
    return f"%2E{quoted[1:]}" if quoted.startswith(".") else quoted
