"""Join the recordings of a fleet: one recording for each hammer and month in place of many small files.

Opening a file costs as much as replaying some ten thousand rows. The rows, their order and the events stay the same.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.errors import InputError
from strikewatch.fleet.recordings import (
    Recording,
    file_name,
    find_places,
    open_recording,
    own_settings,
    survey,
)
from strikewatch.fleet.replay import Workers, segments
from strikewatch.service.recorded.replay import losses
from strikewatch.sources.recordings import ReadOptions
from strikewatch.sources.recordings.merge import Merge
from strikewatch.storage.recorder.parquet import write_parts


class Part(NamedTuple):
    """One hammer's part of a recording. `alike`: recordings with another value are not joined with it."""

    recording: Recording
    alike: str


@dataclass(frozen=True, slots=True)
class Checked:
    """What a recording holds, or why it is left as it is."""

    place: str
    parts: tuple[Part, ...] = ()
    left: str = ""


@dataclass(slots=True)
class Compacted:
    """What was done: recordings joined, recordings written, and by place, why others were left as they are."""

    joined: int = 0
    written: int = 0
    left: dict[str, str] = field(default_factory=dict)


class _Job(NamedTuple):
    folder: Path
    recordings: list[Recording]


def compact(
    paths: Sequence[Path], to: Path, *, options: ReadOptions | None = None, workers: Workers | None = None
) -> Compacted:
    """Write the recordings below some paths into a new folder, joined by hammer and calendar month.

    A recording with settings of its own, or with rows that cannot be used, is left as it is: it would not give the same
    results. Recordings with other channels, or not recorded live, are not joined with those that are.

    Raises InputError: a path cannot be used, or the folder exists.
    """
    workers, options = workers or Workers(), options or ReadOptions()
    if to.exists() and any(to.iterdir()):
        raise InputError(f"{to}: is not empty; name a new folder")
    places = list(find_places(paths))
    done = Compacted()
    by_hammer: dict[Key, list[Part]] = defaultdict(list)
    for checked in workers.run(partial(_check, options), places):
        if checked.left:
            done.left[checked.place] = checked.left
        else:
            done.joined += 1
        for part in checked.parts:
            by_hammer[part.recording.key].append(part)
    jobs = [
        _Job(_folder(to.absolute(), group, number), group)
        for own in by_hammer.values()
        for number, group in enumerate(_groups(own))
    ]
    done.written = len(workers.run(partial(_join, options), jobs))
    return done


def _groups(parts: Sequence[Part]) -> Iterator[list[Recording]]:
    """Divide a hammer's recordings into those that are joined: of one month, and alike."""
    alike = {part.recording.place: part.alike for part in parts}
    for segment in segments(part.recording for part in parts):
        for _, group in groupby(segment, lambda recording: alike[recording.place]):
            yield list(group)


def _check(options: ReadOptions, place: str) -> Checked:
    """Read a recording once, and find out whether it can be joined."""
    surveyed = survey(place, options, own=True)
    if surveyed.refused:
        return Checked(place, left=surveyed.refused)
    shift = open_recording(place, options)
    if own_settings(shift) is not None:
        return Checked(place, left="has settings of its own")
    merge = Merge([shift])
    for _ in merge.pieces():
        pass
    if lost := losses(merge):
        return Checked(place, left="; ".join(reason for loss in lost for reason in loss.reasons))
    if shift.bad["event"]:
        return Checked(place, left=f"{shift.bad['event']} events cannot be read")
    if any(recording.rows == 0 for recording in surveyed.found):
        return Checked(place, left="has events of a hammer without rows")
    feeds = shift.feeds()
    live = shift.recorded_in_order
    return Checked(
        place, tuple(Part(one, f"{live} {sorted(feeds.get(one.key, ()))}") for one in surveyed.found)
    )


def _folder(to: Path, group: Sequence[Recording], number: int) -> Path:
    site, hammer = group[0].key
    return to / file_name(site) / file_name(hammer) / f"{instant.text(group[0].first)[:10]}-{number}"


def _join(options: ReadOptions, job: _Job) -> None:
    key = job.recordings[0].key
    shifts = [open_recording(recording.place, options) for recording in job.recordings]
    rows = [piece.rows for piece in Merge(shifts, key).pieces()]
    of_hammer = (event for shift in shifts for event in shift.events if (event.site, event.hammer) == key)
    events = {repr(event): event for event in of_hammer}  # one that two recordings hold counts once
    live = all(shift.recorded_in_order for shift in shifts)
    write_parts(job.folder, key[0], {key[1]: rows}, events.values(), live)
