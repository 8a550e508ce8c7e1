"""Replay what is new in the recordings of a fleet into a folder of tables, on any number of workers.

A hammer's recordings are divided into segments: a calendar month (UTC) at most, except that recordings that overlap are
never divided. A state is saved at the end of each segment. A new recording that begins after the newest row continues
from the last state; one from before goes back to the last state before it, and what was found since is replaced.
"""

import hashlib
import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Final, TypeVar

import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types

from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.state import LAYOUT, OLDER
from strikewatch.errors import InputError
from strikewatch.fleet.folder import FleetFolder, Manifest, without_segments
from strikewatch.fleet.hammer import Context, Job, JobsDone, StateAt, replay_jobs
from strikewatch.fleet.recordings import Recording, SurveyResult, find_places, fingerprint, survey
from strikewatch.service.recorded.replay import DEFAULT_ALLOWED_PERCENT
from strikewatch.settings.tree import Settings
from strikewatch.sources.recordings import ReadOptions

_ALWAYS: Final = -(1 << 62)
T = TypeVar("T")
R = TypeVar("R")
SURVEYS_PER_TASK: Final = 50
"""Recordings that one task surveys."""
HAMMERS_PER_TASK: Final = 64
"""Hammers that one task replays at most."""


@dataclass(slots=True)
class Plan:
    """`jobs`: one a hammer, those with nothing new too. `replaced`: hammer → instant after which its segments go."""

    jobs: list[Job] = field(default_factory=list)
    replaced: dict[Key, Instant] = field(default_factory=dict)


def plan(
    known: Iterable[Recording],
    found: Iterable[Recording],
    states: Mapping[Key, Sequence[StateAt]],
    usable: Callable[[StateAt], bool] = lambda _: True,
) -> Plan:
    """Plan a run.

    `known`: recordings replayed by earlier runs; `found`: new ones, and those that have changed since, as they are now.
    `states`: the saved states of each hammer. `usable`: whether this version can read one.
    """
    found = list(found)
    changed = {recording.place for recording in found}
    everything: dict[Key, list[Recording]] = defaultdict(list)
    since: dict[Key, Instant] = {}
    for recording in known:
        if recording.place in changed:
            since[recording.key] = min(recording.first, since.get(recording.key, recording.first))
            everything.setdefault(recording.key, [])
        else:
            everything[recording.key].append(recording)
    for recording in found:
        since[recording.key] = min(recording.first, since.get(recording.key, recording.first))
        everything[recording.key].append(recording)
    planned = Plan()
    for key, recordings in sorted(everything.items()):
        own = sorted(states.get(key, ()), key=lambda state: state.reached)
        before = [
            state for state in own if usable(state) and state.reached < since.get(key, state.reached + 1)
        ]
        state = before[-1] if before else None
        reached = state.reached if state else _ALWAYS
        if own and own[-1] is not state:
            planned.replaced[key] = reached
        todo = [recording for recording in recordings if recording.first > reached]
        if state or todo:
            planned.jobs.append(Job(*key, state, tuple(segments(todo))))
    return planned


def segments(recordings: Iterable[Recording]) -> list[tuple[Recording, ...]]:
    """Divide a hammer's recordings into segments, in order of time."""
    found: list[list[Recording]] = []
    reached, month = _ALWAYS, ""
    for recording in sorted(recordings, key=lambda one: (one.first, one.place)):
        if recording.first > reached and (own := _month(recording.first)) != month:
            found.append([])
            month = own
        found[-1].append(recording)
        reached = max(reached, recording.last)
    return [tuple(segment) for segment in found]


def chunks(jobs: Sequence[Job], number: int) -> list[list[Job]]:
    """Divide jobs into at most `number` parts of about as many rows, for as many tasks."""
    parts: list[list[Job]] = [[] for _ in range(min(number, len(jobs)))]
    rows = [0] * len(parts)
    for job in sorted(jobs, key=lambda job: -job.rows):
        least = rows.index(min(rows))
        parts[least].append(job)
        rows[least] += job.rows + 1
    return parts


def _month(at: Instant) -> str:
    return datetime.fromtimestamp(at // SECOND, UTC).strftime("%Y-%m")


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
        done = _replay_all(planned.jobs, context, workers)
        if (newest := max((one.newest for one in done), default=end)) > end:
            folder.clean()  # a channel that came 1 ns after the last row: all hammers end there
            end = newest
            done = _replay_all(planned.jobs, replace(context, end=end), workers)
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


def _replay_all(jobs: Sequence[Job], context: Context, workers: Workers) -> list[JobsDone]:
    """Do all jobs, as many tasks as keep the workers busy."""
    parts = chunks(jobs, max(4 * workers.number, -(-len(jobs) // HAMMERS_PER_TASK)))
    return workers.run(partial(replay_jobs, context), parts)


def _survey(
    places: Sequence[str], known: Sequence[Recording], options: ReadOptions, own: bool, workers: Workers
) -> list[SurveyResult]:
    """Survey the recordings that are new or have changed."""
    marks = {recording.place: recording.fingerprint for recording in known}
    new = [place for place in places if place not in marks or marks[place] != fingerprint(place)]
    parts = [new[k : k + SURVEYS_PER_TASK] for k in range(0, len(new), SURVEYS_PER_TASK)]
    return [one for part in workers.run(partial(_survey_all, options, own), parts) for one in part]


def _survey_all(options: ReadOptions, own: bool, places: Sequence[str]) -> list[SurveyResult]:
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
