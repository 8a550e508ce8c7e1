"""Replay recorded shifts through the same engine as live samples; the recording gives the time.

Each hammer's rows are taken in time order, regardless of the order of recordings and rows (`sources/recordings/merge`).
"""

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import chain
from operator import itemgetter
from typing import Any, Final

from strikewatch.core import instant
from strikewatch.core.alert import Alert
from strikewatch.core.batch import Key
from strikewatch.core.bout import AttributedBout
from strikewatch.core.instant import SECOND, Instant
from strikewatch.core.stretch import AttributedStretch
from strikewatch.detectors.maintenance.corrections import KEPT
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.engine.step_result import StepResult
from strikewatch.errors import InputError, Refused
from strikewatch.service.recorded.recorded_alerts import RecordedAlerts
from strikewatch.service.recorded.replay_run import ReplayInput, ReplayRun, SettingsOf
from strikewatch.service.recorded.replay_threads import divide, process_rows, usable_cores
from strikewatch.service.time_window import TimeWindow
from strikewatch.sources.ordering import Counts
from strikewatch.sources.recordings import Shift
from strikewatch.sources.recordings.merge import Merge
from strikewatch.sources.recordings.read_options import KNOWN, near
from strikewatch.sources.recordings.row_reader import ROW_REASONS

Progress = Callable[[int, int], None]
"""Called with the rows done and the total number of rows."""

DEFAULT_ALLOWED_PERCENT: Final = 1.0
"""Percent of a recording's rows, or of a column's values, that may be left out by default."""


@dataclass(frozen=True, slots=True)
class Loss:
    """The unused data of one recording. Exact repetitions of a row do not count, since they lose nothing."""

    place: str
    percent: float
    """Of its rows, or of the values in the column that lost most."""
    reasons: tuple[str, ...]


@dataclass(slots=True)
class ReplayResult:
    """The result of a replay: its alerts, and what was used of the rows."""

    counts: Counts = field(default_factory=Counts)
    bad: Counter[str] = field(default_factory=Counter)
    examples: dict[str, str] = field(default_factory=dict)
    ignored: set[str] = field(default_factory=set)
    firing_h: dict[Key, float] = field(default_factory=dict)
    silent: dict[Key, list[tuple[str, str]]] = field(default_factory=dict)
    """(fault, reason) of each fault that none of a hammer's recordings can show."""
    uncertain: dict[Key, list[tuple[str, str]]] = field(default_factory=dict)
    """(fault, reason) of each fault that can only be inferred."""
    partly_monitored: dict[Key, dict[str, list[str]]] = field(default_factory=dict)
    """By fault that some recordings can show: the recordings that cannot."""
    cells: Counter[str] = field(default_factory=Counter)
    """Unreadable cells by column."""
    assumed: Counter[str] = field(default_factory=Counter)
    zone: str = ""
    lost: list[Loss] = field(default_factory=list)
    """The loss of each recording."""
    begin: Instant = 0
    """The first row of any hammer, wrong clocks aside."""
    settings: dict[Key, list[tuple[Instant, HammerSettings]]] = field(default_factory=dict)
    """By hammer: (instant, settings from then on)."""
    steps: list[StepResult] = field(default_factory=list)
    window: TimeWindow = field(default_factory=TimeWindow)
    end: Instant = 0
    """The latest row of any hammer."""
    not_found: Counter[Key] = field(default_factory=Counter)
    """Corrections of entries that were too old, or never came."""
    recorded: Sequence[RecordedAlerts] = ()
    _records: list[dict[str, Any]] | None = None

    @property
    def alerts(self) -> list[Alert]:
        """The alerts in their final state, by hammer."""
        return [alert for recorded in self.recorded for alert in recorded.all()]

    @property
    def records(self) -> list[dict[str, Any]]:
        """The alert records in onset order. They are created on first use."""
        if self._records is None:
            made = [alert.record() for alert in self.alerts]
            self._records = sorted(made, key=lambda r: (r["onset"], r["hammer"], r["fault"], r["site"]))
        return self._records

    def settings_at(self, key: Key, at: Instant) -> HammerSettings:
        """Return the settings of a hammer that applied at an instant."""
        every = self.settings[key]
        return next((settings for begin, settings in reversed(every) if begin <= at), every[0][1])

    def settings_of(self, default: SettingsOf) -> SettingsOf:
        """Return a function for each hammer's settings at the end of the recording; `default` for other hammers."""
        return lambda key: self.settings[key][-1][1] if key in self.settings else default(key)

    def bouts(self) -> list[AttributedBout]:
        """Return every bout of firing in the time window, ordered by start."""
        bouts = [bout for outcome in self.steps for bout in outcome.bouts()]
        wanted = [one for one in bouts if self.window.has(one.bout.key[1], one.bout.start, one.bout.end)]
        return sorted(wanted, key=lambda worked: (worked.bout.start, worked.bout.key))

    def stretches(self) -> list[AttributedStretch]:
        """Return every stretch of work, ordered by start."""
        stretches = [stretch for outcome in self.steps for stretch in outcome.stretches()]
        return sorted(stretches, key=lambda spent: (spent.stretch.start, spent.stretch.key))

    def within(self, window: TimeWindow) -> "ReplayResult":
        """Restrict the result to a time window. Raises Refused if its hammer is not in the recording."""
        firing_h = {key: hours for key, hours in self.firing_h.items() if window.hammer in (None, key[1])}
        if window.hammer is not None and not firing_h:
            known = ", ".join(sorted({hammer for _, hammer in self.firing_h})) or "none"
            raise Refused(f"no hammer {window.hammer} in this recording; there are: {known}")
        records = [record for record in self.records if window.overlaps_alert(record)]
        return replace(self, _records=records, firing_h=firing_h, window=window)

    def notes(self) -> Iterator[str]:
        """Yield what was left out, and where."""
        counts = self.counts
        for n, what in (
            (counts.duplicate, "duplicates of an instant already taken"),
            (counts.late, "late: older than rows already worked through"),
            (counts.wrong_clock, "from a wrong clock: far from the rows around them"),
        ):
            if n:
                yield f"{n} rows not used, {what}"
        for (_, hammer), n in self.not_found.items():
            yield (
                f"{n} corrections of entries of {hammer} had no effect: the entries never came, or more than "
                f"{KEPT} came after them"
            )
        for reason, n in self.bad.items():
            what = "events" if reason == "event" else "rows"
            yield f"{n} {what} skipped for a bad `{reason}`; the first: {self.examples.get(reason, 'unknown')}"
        for name, n in self.cells.items():
            yield f"{n} cells of `{name}` unreadable, taken as not sampled; the first: {self.examples[name]}"
        if n := self.assumed["utc"]:
            yield f"{n} times have no offset and are taken as UTC; if they are local, name their zone (--zone)"
        if n := self.assumed["local"]:
            yield f"{n} times have no offset and are taken as local times of {self.zone}"
        if n := self.assumed["twice"]:
            yield (
                f"{n} of those lie in the hour that occurs twice when the clock is put back: assigned by their "
                "order, to its first pass until the times step back"
            )
        if self.ignored:
            yield f"columns not known and not used: {', '.join(_with_nearest(sorted(self.ignored)))}"

    def partly_monitored_notes(self) -> Iterator[str]:
        """Yield the faults that are monitored in some recordings of a hammer and not in others."""
        for (_, hammer), faults in sorted(self.partly_monitored.items()):
            alike: dict[tuple[str, ...], list[str]] = {}
            for fault, places in faults.items():
                alike.setdefault(tuple(places), []).append(fault)
            for where, names in alike.items():
                yield f"not monitored on {hammer} in {', '.join(where)}: {', '.join(names)}"


def _with_nearest(names: Sequence[str]) -> Iterator[str]:
    for name in names:
        known = near(name, KNOWN)
        yield f"{name} ({known.strip()})" if known else name


def replay_shifts(
    shifts: Sequence[Shift],
    settings_of: SettingsOf,
    reorder_ns: int = 2 * SECOND,
    progress: Progress | None = None,
    only: Key | None = None,
    own: Mapping[int, SettingsOf] | None = None,
) -> ReplayResult:
    """Replay shifts, each hammer's rows in time order.

    `only`: replay one hammer only, with the same result for it. `own`: settings of some shifts, by number of the shift.
    Raises InputError if not a single row can be used.
    """
    total = sum(shift.total for shift in shifts)
    with ThreadPoolExecutor(usable_cores(), "replay") as pool:
        merge = Merge(shifts, only, pool.map)
        replayed = ReplayInput.of(merge, settings_of, own or {}, reorder_ns)
        keys = [*merge.starts, *(key for key in replayed.events if key not in merge.starts)]
        runs = divide(replayed, keys)
        process_rows(merge, runs, pool, (lambda done: progress(done, total)) if progress else None)
        every = list(dict.fromkeys(runs.values()))
        end = max(pool.map(ReplayRun.finish_rows, every), default=0)
        for _ in pool.map(lambda run: run.close(end), every):
            pass
    if progress:
        progress(total, total)
    result = ReplayResult(
        recorded=[run.alerts for run in every],
        counts=sum((run.counts() for run in every), Counts(wrong_clock=sum(merge.wrong_clock))),
        firing_h={key: runs[key].pipeline.firing_ns(key) / SECOND / 3600 for key in keys},
        silent={key: runs[key].silent(key) for key in keys},
        uncertain={key: runs[key].uncertain(key) for key in keys},
        partly_monitored={key: partly for key in keys if (partly := runs[key].partly_monitored(key))},
        settings={key: runs[key].settings(key) for key in keys},
        steps=[step for _, step in sorted(chain(*(run.steps for run in every)), key=itemgetter(0))],
        not_found=Counter({key: n for key in keys if (n := runs[key].not_found[key])}),
        lost=losses(merge),
        begin=min((at for starts in merge.starts.values() for at in starts.values()), default=0),
        end=end,
    )
    for shift in shifts:
        result.bad.update({reason: n for reason, n in shift.bad.items() if n})
        result.cells.update(shift.cells)
        result.assumed.update(shift.assumed)
        result.examples = {**shift.examples, **result.examples}
        result.ignored |= shift.ignored
        result.zone = shift.options.zone.key if shift.options.zone else result.zone
    bad_rows = Counter({reason: n for reason, n in result.bad.items() if reason != "event"})
    if bad_rows and not result.counts.used:
        reason, n = bad_rows.most_common(1)[0]
        raise InputError(
            f"no row can be used; {n} of {total} rows are {ROW_REASONS[reason]} (`{reason}`), the first: "
            f"{result.examples[reason]}"
        )
    return result


def losses(merge: Merge) -> list[Loss]:
    """Return the loss of each recording that lost anything."""
    return [loss for s, shift in enumerate(merge.shifts) if (loss := _loss_of(shift, merge, s)).reasons]


def check_loss(recording_losses: Iterable[Loss], allowed_percent: float) -> None:
    """Raise InputError if a recording lost more than allowed; it names all of these and the reasons."""
    over = [loss for loss in recording_losses if loss.percent > allowed_percent]
    if not over:
        return
    lines = [
        f"{loss.place}: {_share(loss.percent)} would be lost: {'; '.join(loss.reasons)}" for loss in over
    ]
    enough = min(100.0, math.ceil(max(loss.percent for loss in over) * 10) / 10)
    lines[-1] += (
        f". More than {allowed_percent:g} % of a recording would be left out: fix it, or accept the loss with "
        f"--allow-loss {enough:g} (in Python: allow_loss={enough:g})"
    )
    raise InputError("\n".join(lines))


def _share(percent: float) -> str:
    return f"{percent:.2g} %" if percent < 10 else f"{percent:.0f} %"


def _loss_of(shift: Shift, merge: Merge, s: int) -> Loss:
    rows = {reason: n for reason in ROW_REASONS if (n := shift.bad[reason])}
    reasons = [
        f"{n} of {shift.total} rows {ROW_REASONS[reason]}, the first: {_example(shift, reason)}"
        for reason, n in rows.items()
    ]
    lost = sum(rows.values())
    if n := merge.wrong_clock[s]:
        lost += n
        key, at = merge.first_wrong[s]
        reasons.append(
            f"{n} of {shift.total} rows from a wrong clock, the first: {key[1]} at {instant.text(at)}; "
            "correct their times"
        )
    shares = [lost / max(1, shift.total)]
    for name, n in shift.cells.items():
        shares.append(n / (n + shift.read[name]))
        reasons.append(
            f"{n} of {n + shift.read[name]} values of `{name}` unreadable, the first: {_example(shift, name)}"
        )
    return Loss(shift.place, 100 * max(shares), tuple(reasons))


def _example(shift: Shift, reason: str) -> str:
    return shift.examples.get(reason, "unknown").removeprefix(f"{shift.place}: ")
