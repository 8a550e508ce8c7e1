"""The work on one hammer: continue from its saved state, replay segments of its recordings, write what is found."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, NamedTuple

import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types

from strikewatch.core.alert import Alert
from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant, seconds
from strikewatch.fleet.recordings import Recording, open_recording, own_settings
from strikewatch.fleet.tables import Row, Writer, alert_row, bout_table, stretch_row
from strikewatch.service.recorded.replay import losses
from strikewatch.service.recorded.replay_run import ReplayInput, ReplayRun, SavedHammer
from strikewatch.settings.tree import Settings
from strikewatch.sources.ordering import NEVER
from strikewatch.sources.recordings import ReadOptions
from strikewatch.sources.recordings.merge import Merge
from strikewatch.storage.commit import spool

DRAIN_STEPS: Final = 256
"""Steps of the engine after which bouts and stretches are written, so that a long segment needs little memory."""


class StateAt(NamedTuple):
    """A saved state: its file, the row group in it, the segment that it ends, and the newest instant before it."""

    file: str
    row_group: int
    segment: Instant
    reached: Instant


@dataclass(frozen=True, slots=True)
class Job:
    """What a run does with one hammer: continue after `state`, if there is one, with these segments."""

    site: str
    hammer: str
    state: StateAt | None
    segments: tuple[tuple[Recording, ...], ...] = ()

    @property
    def rows(self) -> int:
        """How many rows are to be replayed."""
        return sum(recording.rows for segment in self.segments for recording in segment)


@dataclass(frozen=True, slots=True)
class Context:
    """What all jobs of a run have in common. `own`: the recordings' own settings apply to them."""

    settings: Settings
    options: ReadOptions
    own: bool
    staging: Path
    end: Instant


@dataclass(slots=True)
class JobsDone:
    """What some jobs have written: files by table, of finished segments and of what is active at the end."""

    files: dict[str, str] = field(default_factory=dict)
    open: dict[str, str] = field(default_factory=dict)
    rows: int = 0
    newest: Instant = NEVER


def replay_jobs(context: Context, jobs: Sequence[Job]) -> JobsDone:
    """Do some jobs one after another, into one file for each table."""
    done = JobsDone()
    with Writer(context.staging) as writer, Writer(context.staging) as active:
        for job in jobs:
            newest = _Hammer(context, job, writer, active).replay()
            done.newest = max(done.newest, newest)
            done.rows += job.rows
    done.files, done.open = writer.files, active.files
    return done


class _Hammer:
    def __init__(self, context: Context, job: Job, writer: Writer, active: Writer) -> None:
        self._context, self._job, self._writer, self._active = context, job, writer, active
        self._key: Key = (job.site, job.hammer)
        self._reorder_ns = seconds(context.settings.intake.reorder_s)
        self._saved: SavedHammer | None = None
        self._settings_place = ""
        self._segment: Instant = 0
        if job.state is not None:
            self._segment = job.state.segment
            self._settings_place, self._saved = _read_state(job.state)

    def replay(self) -> Instant:
        """Replay all segments, and report what is active at the end; return the newest row."""
        for recordings in self._job.segments:
            self._replay_segment(recordings)
        run = ReplayRun(self._input(Merge([])), [self._key])
        newest = self._resume(run)
        fired_ns = run.pipeline.firing_ns(self._key)
        run.close(self._context.end)
        fired_ns = run.pipeline.firing_ns(self._key) - fired_ns
        self._active.add("counts", [(*self._key, self._segment, 0, 0, 0, 0, 0, 0, fired_ns)])
        self._write(run, self._active, [alert_row(alert, self._segment) for alert in run.alerts.all()])
        return newest

    def _replay_segment(self, recordings: Sequence[Recording]) -> None:
        key = self._key
        self._segment = min(recording.first for recording in recordings)
        shifts = [open_recording(recording.place, self._context.options) for recording in recordings]
        merge = Merge(shifts, key)
        own = {
            s: found for s, shift in enumerate(shifts) if self._context.own and (found := own_settings(shift))
        }
        run = ReplayRun(self._input(merge, {s: found.of_hammer for s, found in own.items()}), [key])
        self._resume(run)
        fired_ns = run.pipeline.firing_ns(key)
        for number, piece in enumerate(merge.pieces()):
            run.rows(number, piece)
            if len(run.steps) >= DRAIN_STEPS:
                self._write(run, self._writer, ())
        run.finish_rows()
        run.note_coverage(key)
        in_force = run.settings(key)[-1][1]
        places = [recordings[s].place for s, found in own.items() if found.of_hammer(key) == in_force]
        if in_force == self._context.settings.of_hammer(key):
            self._settings_place = ""
        elif places:
            self._settings_place = places[-1]
        self._saved = run.saved(key)
        still_open = {(alert.fault, alert.onset) for alert in self._saved.alerts}
        over = (alert for alert in run.alerts.all() if (alert.fault, alert.onset) not in still_open)
        self._write(run, self._writer, [alert_row(alert, self._segment) for alert in over])
        self._write_notes(run, merge, recordings, run.pipeline.firing_ns(key) - fired_ns)
        reached = max(recording.last for recording in recordings)
        self._writer.add(
            "states", [(*key, self._segment, reached, *_encoded(self._saved, self._settings_place))]
        )

    def _input(self, merge: Merge, own: Mapping[int, Any] | None = None) -> ReplayInput:
        return ReplayInput.of(merge, self._context.settings.of_hammer, own or {}, self._reorder_ns)

    def _resume(self, run: ReplayRun) -> Instant:
        """Continue with the saved state, under the settings that were in force then; return the newest row."""
        key = self._key
        if self._saved is None:
            return NEVER
        if self._settings_place:
            shift = open_recording(self._settings_place, self._context.options)
            run.pipeline.configure(key, (own_settings(shift) or self._context.settings).of_hammer(key))
        run.resume(key, self._saved)
        return run.pipeline.watermark(key)

    def _write(self, run: ReplayRun, writer: Writer, alerts: Sequence[Row]) -> None:
        """Write alerts, and the bouts and stretches of the steps so far."""
        steps, run.steps = [step for _, step in run.steps], []
        writer.add("alerts", alerts)
        writer.add_table("bouts", bout_table(steps, self._segment))
        writer.add(
            "stretches", (stretch_row(one, self._segment) for step in steps for one in step.stretches())
        )

    def _write_notes(
        self, run: ReplayRun, merge: Merge, recordings: Sequence[Recording], firing_ns: int
    ) -> None:
        key, segment = self._key, self._segment
        counts = run.counts()
        counts.wrong_clock += sum(merge.wrong_clock)
        numbers = counts.used, counts.duplicate, counts.late, counts.wrong_clock, counts.merged
        self._writer.add("counts", [(*key, segment, *numbers, run.not_found[key], firing_ns)])
        self._writer.add("coverage", ((*key, segment, *row) for row in _coverage(run, key)))
        self._writer.add(
            "losses",
            ((*key, segment, one.place, one.percent, "; ".join(one.reasons)) for one in losses(merge)),
        )
        self._writer.add(
            "recordings",
            ((*key, segment, r.place, r.fingerprint, r.first, r.last, r.rows) for r in recordings),
        )


def _coverage(run: ReplayRun, key: Key) -> Iterator[tuple[str, str, str]]:
    yield from ((fault, "none", reason) for fault, reason in run.silent(key))
    yield from ((fault, "inferred", reason) for fault, reason in run.uncertain(key))
    for fault, places in run.partly_monitored(key).items():
        yield fault, "some", f"not in {', '.join(places)}"


def _encoded(saved: SavedHammer, settings_place: str) -> tuple[str, str, bytes]:
    """Return layout, settings and bytes of a saved state: 4 bytes of length, JSON of open alerts, events, state."""
    alerts = [[alert.record(), alert.onset, alert.cleared] for alert in saved.alerts]
    head = json.dumps(alerts, separators=(",", ":")).encode()
    events = spool.encode([], saved.events)
    sizes = len(head).to_bytes(4, "little") + len(events).to_bytes(4, "little")
    return saved.layout, settings_place, sizes + head + events + saved.state


def _read_state(at: StateAt) -> tuple[str, SavedHammer]:
    table = pq.ParquetFile(at.file).read_row_group(at.row_group, columns=["layout", "settings", "saved"])
    (row,) = table.to_pylist()
    return row["settings"], _decoded(row["layout"], row["saved"])


def _decoded(layout: str, saved: bytes) -> SavedHammer:
    head, events = int.from_bytes(saved[:4], "little"), int.from_bytes(saved[4:8], "little")
    alerts = [_alert(*one) for one in json.loads(saved[8 : 8 + head])]
    start = 8 + head + events
    return SavedHammer(layout, saved[start:], tuple(spool.decode(saved[8 + head : start])[1]), tuple(alerts))


def _alert(record: dict[str, Any], onset: Instant, cleared: Instant | None) -> Alert:
    described = record["evidence"], record["summary"]
    return Alert(
        record["fault"],
        record["site"],
        record["hammer"],
        record["operator"],
        record["priority"],
        onset,
        cleared,
        record["historic"],
        lambda: described,
    )
