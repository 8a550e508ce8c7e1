"""Replay what is new in the recordings of a fleet into a folder of tables, on any number of workers."""

import hashlib
import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, Final, TypeVar

import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types

from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.engine.state import LAYOUT, OLDER
from strikewatch.errors import InputError
from strikewatch.fleet.folder import FleetFolder, Manifest, without_segments
from strikewatch.fleet.hammer import Context, Done, Job, StateAt, work
from strikewatch.fleet.plan import chunks, plan
from strikewatch.fleet.recordings import Recording, Surveyed, find_places, fingerprint, survey
from strikewatch.service.recorded.replay import DEFAULT_ALLOWED_PERCENT
from strikewatch.settings.tree import Settings
from strikewatch.sources.recordings import ReadOptions

T = TypeVar("T")
R = TypeVar("R")

SURVEYS: Final = 50
"""Recordings that one task surveys."""
HAMMERS: Final = 64
"""Hammers that one task replays at most."""


@dataclass(frozen=True, slots=True)
class Workers:
    """How tasks are run: `map` applies a function to items, `number` at a time. By default in this process."""

    map: Callable[[Callable[[Any], Any], Sequence[Any]], Iterable[Any]] = map
    number: int = 1

    def run(self, function: Callable[[T], R], items: Sequence[T]) -> list[R]:
        """Apply a function to all items; return the results in the same order."""
        return list(self.map(function, items)) if items else []


@dataclass(frozen=True, slots=True)
class Summary:
    """What a run did. `rows`: rows replayed; `recordings`: new or changed ones, without those `refused` (by place).

    `lossy`: recordings of which more is left out than allowed, with what is left out, since the first run.
    """

    hammers: int
    recordings: int
    rows: int
    replaced: int
    refused: dict[str, str] = field(default_factory=dict)
    lossy: dict[str, str] = field(default_factory=dict)


def replay_fleet(
    paths: Sequence[Path],
    to: Path,
    settings: Settings,
    *,
    own_settings: bool = True,
    options: ReadOptions | None = None,
    allow_loss: float = DEFAULT_ALLOWED_PERCENT,
    workers: Workers | None = None,
) -> Summary:
    """Replay the recordings below some paths that are new or have changed since the last run into the same folder.

    The tables are then those of one replay of all recordings so far. A run that does not finish changes nothing.

    Args:
        paths: folders of recorded shifts, or files, as for `strikewatch replay`.
        to: the folder of the tables.
        settings: of hammers without a recording's own.
        own_settings: apply the `settings.toml` in a recording's folder to that recording.
        options: how tables in another form are read.
        allow_loss: percent of a recording that may be unusable before it is listed in `Summary.lossy`.
        workers: where the work is done.

    Raises:
        InputError: nothing can be replayed, or the folder holds something else, or was made with other settings.
        Refused: another run is writing into the folder.
    """
    workers, options = workers or Workers(), options or ReadOptions()
    folder = FleetFolder(to)
    places = list(find_places(paths))
    with folder.run():
        digest = _digest(settings, options, own=own_settings)
        before = folder.manifest() or Manifest(digest)
        if before.settings != digest:
            raise InputError(
                f"{to}: was replayed under other settings, so results would not be comparable; "
                "name another folder, or use the same settings"
            )
        known = _known(folder) if before.run else []
        states, layouts = _states(folder) if before.run else ({}, {})
        surveyed = _survey(places, known, options, own_settings, workers)
        refused = {one.place: one.refused for one in surveyed if one.refused}
        found = [recording for one in surveyed for recording in one.found]
        if refused and not (found or known):
            raise InputError(f"no recording can be used; the first: {next(iter(refused.values()))}")
        planned = plan(known, found, states, lambda state: readable(layouts[state]))
        end = max([before.end, *(recording.last for recording in [*known, *found] if recording.rows)])
        context = Context(settings, options, own_settings, folder.staging, end)
        done = _work(planned.jobs, context, workers)
        if (newest := max((one.newest for one in done), default=end)) > end:
            folder.clean()  # a channel that came 1 ns after the last row: all hammers end there
            end = newest
            done = _work(planned.jobs, replace(context, end=end), workers)
        changed = {path: _without(folder, path, planned.replaced, workers) for path in before.files}
        files = {
            table: [*changed.get(table, ()), *(one.files[table] for one in done if table in one.files)]
            for table in dict.fromkeys([*changed, *(table for one in done for table in one.files)])
        }
        still_open: dict[str, list[str]] = defaultdict(list)
        for one in done:
            for table, name in one.open.items():
                still_open[table].append(name)
        here = {place: why for place, why in before.refused.items() if place not in set(places)}
        manifest = Manifest(digest, before.run + 1, end, files, dict(still_open), {**here, **refused})
        folder.commit(manifest)
    lossy = {
        row["place"]: row["reasons"]
        for row in folder.read("losses", ["place", "percent", "reasons"]).to_pylist()
        if row["percent"] > allow_loss
    }
    rows, new = sum(one.rows for one in done), sum(bool(one.found) for one in surveyed)
    return Summary(len(planned.jobs), new, rows, len(planned.replaced), manifest.refused, lossy)


def readable(layout: str) -> bool:
    """Tell whether this version can read every part of a saved state."""
    current = {*LAYOUT.split(), *OLDER}
    names = {part.partition("/")[0] for part in LAYOUT.split()}
    saved = {part.partition("/")[0]: part for part in layout.split()}
    return all(saved.get(name) in current for name in names)


def _work(jobs: Sequence[Job], context: Context, workers: Workers) -> list[Done]:
    """Do all jobs, as many tasks as keep the workers busy."""
    parts = chunks(jobs, max(4 * workers.number, -(-len(jobs) // HAMMERS)))
    return workers.run(partial(work, context), parts)


def _survey(
    places: Sequence[str], known: Sequence[Recording], options: ReadOptions, own: bool, workers: Workers
) -> list[Surveyed]:
    """Survey the recordings that are new or have changed."""
    marks = {recording.place: recording.fingerprint for recording in known}
    new = [place for place in places if place not in marks or marks[place] != fingerprint(place)]
    parts = [new[k : k + SURVEYS] for k in range(0, len(new), SURVEYS)]
    return [one for part in workers.run(partial(_survey_all, options, own), parts) for one in part]


def _survey_all(options: ReadOptions, own: bool, places: Sequence[str]) -> list[Surveyed]:
    return [survey(place, options, own=own) for place in places]


def _known(folder: FleetFolder) -> list[Recording]:
    table = folder.read("recordings")
    names = "site", "hammer", "place", "fingerprint", "first_ns", "last_ns", "rows"
    return [Recording(*row) for row in zip(*(table[name].to_pylist() for name in names), strict=True)]


def _states(folder: FleetFolder) -> tuple[dict[Key, list[StateAt]], dict[StateAt, str]]:
    """Return the saved states of each hammer, and the layout of each."""
    found: dict[Key, list[StateAt]] = defaultdict(list)
    layouts: dict[StateAt, str] = {}
    names = ["site", "hammer", "segment_ns", "reached_ns", "layout"]
    for path in folder.files("states"):
        columns = pq.read_table(path, columns=names, partitioning=None).to_pydict()
        for group, (site, hammer, segment, reached, layout) in enumerate(zip(*columns.values(), strict=True)):
            state = StateAt(str(path), group, segment, reached)
            found[site, hammer].append(state)
            layouts[state] = layout
    return found, layouts


def _without(folder: FleetFolder, table: str, replaced: dict[Key, Instant], workers: Workers) -> list[str]:
    """Return the names of a table's files of finished segments, without the segments that are replaced."""
    names = (folder.manifest() or Manifest("")).files[table]
    if not replaced:
        return names
    paths = [folder.path / table / name for name in names]
    copies = workers.run(partial(_copy, folder.staging, replaced), paths)
    return [name if copy is None else copy for name, copy in zip(names, copies, strict=True) if copy != ""]


def _copy(staging: Path, replaced: dict[Key, Instant], path: Path) -> str | None:
    return without_segments(path, staging, replaced)


def _digest(settings: Settings, options: ReadOptions, *, own: bool) -> str:
    """Return a digest of the settings that results depend on."""
    parts = (
        settings.model_dump(mode="json", include={"faults", "hammers", "intake"}),
        options.arguments(),
        own,
    )
    return hashlib.blake2b(json.dumps(parts, sort_keys=True).encode(), digest_size=16).hexdigest()
