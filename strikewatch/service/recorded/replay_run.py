"""A running replay of some hammers: their rows in time order through ordering, detectors and the alert tracker."""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from strikewatch.core.alert import Alert
from strikewatch.core.batch import NO_ROWS, Batch, Key, Portion, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.engine.pipeline import HammerSettings, Pipeline
from strikewatch.engine.state import LAYOUT as STATE_LAYOUT
from strikewatch.engine.step_result import StepResult
from strikewatch.service.recorded.recorded_alerts import RecordedAlerts
from strikewatch.sources.hammer_buffer import CONFIRM_TABLE_NS
from strikewatch.sources.hold import LAYOUT as HOLD_LAYOUT
from strikewatch.sources.hold import Hold, bounds_of
from strikewatch.sources.ordering import CLOCK_JUMP_NS, NEVER, Counts, Reorderer
from strikewatch.sources.ordering import LAYOUT as ORDERING_LAYOUT
from strikewatch.sources.recordings.merge import Merge, OverlapGroup, Piece
from strikewatch.sources.recordings.shift import FEED_CHANNELS

SettingsOf = Callable[[Key], HammerSettings]

SAVED_LAYOUT: Final = f"{STATE_LAYOUT} {HOLD_LAYOUT} {ORDERING_LAYOUT}"
"""Layout of `SavedHammer.state`."""

SETTLED_NS: Final = 3 * CONFIRM_TABLE_NS
"""After a jump of a clock, all rows are confirmed by then at the latest where they come evenly."""

LAST_PIECE: Final = 1 << 62
"""Number of the step that closes a replay."""


@dataclass(frozen=True, slots=True)
class ReplayInput:
    """What a replay reads.

    Each recording has its own channels, and may have its own settings (`own`, by number of the shift). Both apply from
    its first row until the first row of another recording; the state of the detectors continues.
    """

    merge: Merge
    settings_of: SettingsOf
    own: Mapping[int, SettingsOf]
    reorder_ns: int
    feeds: list[dict[Key, set[str]]]
    """By number of the shift; not needed of our own recordings."""
    events: Mapping[Key, list[Event]]
    """The last to take effect first."""

    @staticmethod
    def of(
        merge: Merge, settings_of: SettingsOf, own: Mapping[int, SettingsOf], reorder_ns: int
    ) -> "ReplayInput":
        """Prepare the replay of a merge."""
        feeds = [{} if shift.recorded_in_order else shift.feeds() for shift in merge.shifts]
        return ReplayInput(merge, settings_of, own, reorder_ns, feeds, _events(merge))


@dataclass(frozen=True, slots=True)
class SavedHammer:
    """What a later replay needs to continue with a hammer."""

    layout: str
    state: bytes
    """Of the detectors, of ordering and of held values, as the live processor saves them."""
    events: tuple[Event, ...]
    """Events after the newest row."""
    alerts: tuple[Alert, ...]
    """Alerts that may still change."""


class ReplayRun:
    """The state of a replay of the hammers `keys`. Runs of different hammers can be in different threads."""

    def __init__(self, replayed: ReplayInput, keys: Iterable[Key]) -> None:
        self.pipeline = Pipeline(replayed.settings_of)
        self.steps: list[tuple[int, StepResult]] = []
        """Those that measured bouts or stretches, each with the number of its piece."""
        self.not_found: Counter[Key] = Counter()
        self.alerts = RecordedAlerts()
        self._merge = replayed.merge
        self._settings_of = replayed.settings_of
        self._own = replayed.own
        self._reorderer = Reorderer("window", replayed.reorder_ns)
        self._hold = Hold(lambda key: bounds_of(self.pipeline.settings(key)))
        self._feeds = replayed.feeds
        self._number = 0
        self._current_group: dict[Key, OverlapGroup] = {}
        self._newest: dict[Key, Instant] = {}
        self._settings: dict[Key, list[tuple[Instant, HammerSettings]]] = defaultdict(list)
        self._silent: dict[Key, list[tuple[OverlapGroup, dict[str, str]]]] = defaultdict(list)
        self._uncertain: dict[Key, list[dict[str, str]]] = defaultdict(list)
        self._events = {key: list(replayed.events[key]) for key in keys if key in replayed.events}

    @property
    def keys(self) -> tuple[Key, ...]:
        return self._reorderer.keys

    def rows(self, number: int, piece: Piece) -> None:
        """Process a hammer's next rows, the piece of this number."""
        self._number = number
        group, rows = piece.group, piece.rows
        key = group.key
        if self._current_group.get(key) != group:
            self._begin_recording(group)
        starts = [self._merge.starts[key][s] for s in group.shifts] if self._own else []
        cuts = np.searchsorted(rows.time_ns, starts).tolist()
        jumps: list[int] = []
        if piece.largest_step > CLOCK_JUMP_NS:
            jumps = (np.flatnonzero(np.diff(rows.time_ns) > CLOCK_JUMP_NS) + 1).tolist()
        before = self._reorderer.newest(key)
        if before != NEVER and int(rows.time_ns[0]) - before > CLOCK_JUMP_NS:
            jumps.append(0)
        # rows after a jump are taken one by one until they are confirmed: the others need not share that
        cuts += [*jumps, *np.searchsorted(rows.time_ns, rows.time_ns[jumps] + SETTLED_NS).tolist()]
        for first, end in pairwise(sorted({0, *cuts, len(rows)})):
            self._take_rows(piece.cut(first, end))

    def finish_rows(self) -> Instant:
        """Process all rows and events that wait; return the latest row of any hammer."""
        self._number = LAST_PIECE
        for key, waiting in self._events.items():
            self._flush(key)
            while waiting:
                self._reorderer.add_event(waiting.pop())
        for key in self.keys:
            self._flush(key)
        return max((self._reorderer.newest(key) for key in self.keys), default=NEVER)

    def close(self, end: Instant) -> None:
        """Advance every hammer to the end of the recording, the latest row of any hammer."""
        for key in self.keys:
            portion = self._reorderer.portion(key, NO_ROWS, end, closing=True)
            outcome = self.pipeline.step(Batch([self._with_held_values(portion)]), report=True)
            self.pipeline.commit(outcome)
            self._track(outcome)
            self.note_coverage(key)

    def saved(self, key: Key) -> SavedHammer:
        """Return what continues with a hammer. Call it between `finish_rows` and `close`."""
        return SavedHammer(
            SAVED_LAYOUT,
            self.pipeline.saved(key) + self._hold.saved(key) + self._reorderer.saved(key),
            self._reorderer.look_ahead(key, LAST_PIECE).events,
            tuple(alert for alert in self.alerts.open_alerts() if (alert.site, alert.hammer) == key),
        )

    def resume(self, key: Key, saved: SavedHammer) -> None:
        """Continue with a hammer, before any of its rows; these must all be newer than those before."""
        self.pipeline.restore(key, saved.layout, saved.state)
        self._hold.restore(key, saved.layout, saved.state)
        self._reorderer.restore(key, self.pipeline.watermark(key), NO_ROWS, saved.events)
        self._reorderer.resume(key, saved.layout, saved.state)
        for alert in saved.alerts:
            self.alerts.restore(alert)
        if key in self._events:  # an event that two recordings hold counts once
            known = {repr(event) for event in saved.events}
            self._events[key] = [event for event in self._events[key] if repr(event) not in known]

    def counts(self) -> Counts:
        """Count how the rows were used."""
        return sum(self._reorderer.counts().values(), Counts())

    def settings(self, key: Key) -> list[tuple[Instant, HammerSettings]]:
        """Return a hammer's settings, each with the instant from which it applies."""
        return self._settings.get(key) or [(0, self.pipeline.settings(key))]

    def silent(self, key: Key) -> list[tuple[str, str]]:
        """Return (fault, reason) of each fault that none of the hammer's recordings can show."""
        every = [reasons for _, reasons in self._silent[key]]
        return [
            (fault, why) for fault, why in every[-1].items() if all(fault in reasons for reasons in every)
        ]

    def uncertain(self, key: Key) -> list[tuple[str, str]]:
        """Return (fault, reason) of each fault that every recording can only infer, or not show."""
        every = self._uncertain[key]
        shown = [(fault, why) for one in every for fault, why in one.items()]
        return [
            (fault, why)
            for fault, why in dict(shown).items()
            if all(
                fault in one or fault in silent
                for one, (_, silent) in zip(every, self._silent[key], strict=True)
            )
        ]

    def partly_monitored(self, key: Key) -> dict[str, list[str]]:
        """Return the faults that only some of a hammer's recordings can show, with the recordings that cannot."""
        groups = self._silent[key]
        found: dict[str, list[str]] = {}
        for group, reasons in groups:
            for fault in reasons:
                if not all(fault in others for _, others in groups):
                    names = [_name(self._merge.shifts[s].place) for s in group.shifts]
                    found.setdefault(fault, []).extend(name for name in names if name not in found[fault])
        return found

    def _begin_recording(self, group: OverlapGroup) -> None:
        """Begin a recording with other channels."""
        key = group.key
        if key in self._current_group:
            self._flush(key)
            if not self._recorded_in_order(self._current_group[key]) or not self._recorded_in_order(group):
                self.note_coverage(key)
        self._current_group[key] = group
        has = {name for s in group.shifts for name in self._feeds[s].get(key, ())}
        mixed = any(self._merge.shifts[s].recorded_in_order for s in group.shifts)
        self.pipeline.declare_channels(
            key, has, () if mixed else [name for name in FEED_CHANNELS if name not in has]
        )
        checked = any(
            (event.site, event.hammer) == key and event.kind == "check"
            for s in group.shifts
            if not self._merge.shifts[s].recorded_in_order
            for event in self._merge.shifts[s].events
        )
        if checked:
            self.pipeline.declare_channels(key, ("check",))

    def _take_rows(self, piece: Piece) -> None:
        group, rows = piece.group, piece.rows
        key, first, last = group.key, int(rows.time_ns[0]), int(rows.time_ns[-1])
        if first - self._newest.get(key, first) > CLOCK_JUMP_NS:
            self._flush(key)  # nothing older is to come
        self._newest[key] = last
        self._configure(group, first)
        waiting = self._events.get(key, [])
        while waiting and waiting[-1].effective <= last:
            self._reorderer.add_event(waiting.pop())
        self._reorderer.policy = "in_order" if self._recorded_in_order(group) else "window"
        if piece.smallest_step <= 0:
            self._step(key, self._reorderer.add_rows(key, rows))
            return
        for released in self._reorderer.add_sorted_rows(key, rows, piece.largest_step):
            self._step(key, released)

    def _configure(self, group: OverlapGroup, at: Instant) -> None:
        """Apply the settings of the recording that began last."""
        key, starts = group.key, self._merge.starts[group.key]
        begun = [s for s in group.shifts if starts[s] <= at]
        settings_of = self._own.get(begun[-1] if begun else group.shifts[0], self._settings_of)
        wanted = settings_of(key)
        known = self._settings[key]
        if not known or known[-1][1] != wanted:
            self._flush(key)
            self.pipeline.configure(key, wanted)
            self._hold.configure(key)
            known.append((at, wanted))

    def _recorded_in_order(self, group: OverlapGroup) -> bool:
        return all(self._merge.shifts[s].recorded_in_order for s in group.shifts)

    def note_coverage(self, key: Key) -> None:
        """Note which faults the rows of a hammer so far cannot show, or only indirectly."""
        group = self._current_group.get(key, OverlapGroup(key, ()))
        self._silent[key].append((group, dict(self.pipeline.unmonitored_faults(key))))
        self._uncertain[key].append(dict(self.pipeline.inferred_faults(key)))

    def _flush(self, key: Key) -> None:
        self._step(key, self._reorderer.flush(key))

    def _step(self, key: Key, rows: Rows) -> None:
        if len(rows):
            outcome = self.pipeline.step(Batch([self._with_held_values(self._reorderer.portion(key, rows))]))
            self.pipeline.commit(outcome)
            self._track(outcome)

    def _with_held_values(self, portion: Portion) -> Portion:
        """Fill in held values; our own recordings have them already."""
        group = self._current_group.get(portion.key)
        filled = group is not None and self._recorded_in_order(group)
        return portion if filled else self._hold.fill(portion)

    def _track(self, outcome: StepResult) -> None:
        self.not_found.update(outcome.not_found)
        self.alerts.add(outcome)
        if any(map(len, outcome.measurements.values())):
            self.steps.append((self._number, outcome.without_findings()))


def _events(merge: Merge) -> dict[Key, list[Event]]:
    """Return each hammer's events, the last to take effect first; an event in two recordings counts once."""
    found: dict[Key, list[Event]] = defaultdict(list)
    seen: dict[str, int] = {}
    for s, shift in enumerate(merge.shifts):
        for event in shift.events:
            key = event.site, event.hammer
            if merge.only in (None, key) and seen.setdefault(repr(event), s) == s:
                found[key].append(event)
    for own in found.values():
        own.sort(key=lambda event: event.effective)
        own.reverse()
    return found


def _name(place: str) -> str:
    """Return a recording's name for people: its folder or its file."""
    path = Path(place)
    return path.parent.name if path.stem == "samples" else path.name
