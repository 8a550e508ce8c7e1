"""Replay: recorded shifts through the same core as live samples, told the time by the recording itself."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

from strikewatch.alarm.ledger import Ledger
from strikewatch.detect.corrections import KEPT
from strikewatch.errors import InputError, Refused
from strikewatch.hosts.part import Part
from strikewatch.intake.admit import Admit, Counts
from strikewatch.intake.shift import Shift
from strikewatch.model import instant
from strikewatch.model.alert import Alert
from strikewatch.model.batch import NO_ROWS, Batch, Key, Rows
from strikewatch.model.bout import Worked
from strikewatch.model.instant import SECOND, Instant
from strikewatch.model.stretch import Spent
from strikewatch.pipeline import HammerSettings, Outcome, Pipeline

Progress = Callable[[int, int], None]
"""Told rows done and rows in all."""


@dataclass(slots=True)
class Replayed:
    """What a replay found: alert records in onset order, and what became of the rows."""

    records: list[dict[str, Any]] = field(default_factory=list)
    counts: Counts = field(default_factory=Counts)
    bad: Counter[str] = field(default_factory=Counter)
    examples: dict[str, str] = field(default_factory=dict)
    ignored: set[str] = field(default_factory=set)
    firing_h: dict[Key, float] = field(default_factory=dict)
    silent: dict[Key, list[tuple[str, str]]] = field(default_factory=dict)
    """(fault, why) of each that a hammer's feed and profile do not let be found."""
    noted: list[Outcome] = field(default_factory=list)
    part: Part = field(default_factory=Part)
    end: Instant = 0
    """The latest row of any hammer."""
    not_found: Counter[Key] = field(default_factory=Counter)
    """Corrections of entries that were no longer kept, or never came."""

    def bouts(self) -> list[Worked]:
        """Every bout of firing, in the order in which they began."""
        bouts = [bout for outcome in self.noted for bout in outcome.bouts()]
        wanted = [one for one in bouts if self.part.has(one.bout.key[1], one.bout.start, one.bout.end)]
        return sorted(wanted, key=lambda worked: (worked.bout.start, worked.bout.key))

    def stretches(self) -> list[Spent]:
        """Every stretch of work, likewise."""
        stretches = [one for outcome in self.noted for one in outcome.stretches()]
        return sorted(stretches, key=lambda spent: (spent.stretch.start, spent.stretch.key))

    def within(self, part: Part) -> "Replayed":
        """What of it is in a part. Raises Refused where its hammer is not in the recording."""
        firing_h = {key: hours for key, hours in self.firing_h.items() if part.hammer in (None, key[1])}
        if part.hammer is not None and not firing_h:
            known = ", ".join(sorted({hammer for _, hammer in self.firing_h})) or "none"
            raise Refused(f"no hammer {part.hammer} in this recording; there are: {known}")
        records = [record for record in self.records if part.has_alert(record)]
        return replace(self, records=records, firing_h=firing_h, part=part)

    def notes(self) -> Iterator[str]:
        """What was left out, and where; silence about it would read as all well."""
        counts = self.counts
        for n, what in (
            (counts.duplicate, "duplicates of an instant already taken"),
            (
                counts.late,
                "late: older than rows already worked through; sort the table by time if it is not in order",
            ),
            (counts.wrong_clock, "from a wrong clock: far ahead of the rows that follow"),
        ):
            if n:
                yield f"{n} rows not used, {what}"
        for (_, hammer), n in self.not_found.items():
            yield (
                f"{n} corrections of entries of {hammer} changed no clock: the entries never came, or more than "
                f"{KEPT} came after them"
            )
        for reason, n in self.bad.items():
            what = "events" if reason == "event" else "rows"
            yield f"{n} {what} skipped for a bad `{reason}`; the first: {self.examples.get(reason, 'unknown')}"
        if self.ignored:
            yield f"columns not known and not used: {', '.join(sorted(self.ignored))}"


def replay_shifts(
    shifts: Sequence[Shift],
    settings_of: Callable[[Key], HammerSettings],
    reorder_ns: int = 2 * SECOND,
    progress: Progress | None = None,
    only: Key | None = None,
) -> Replayed:
    """Run shifts, one after the other, through the detectors; `only` one hammer's rows, which finds the same of it.

    Raises InputError where not one row can be used.
    """
    run = _Run(settings_of, reorder_ns, only)
    total = sum(shift.total for shift in shifts)
    done = 0
    for shift in shifts:
        run.open(shift)
        pieces = shift.pieces() if only is None else shift.near(only, instant.EARLIEST, instant.LATEST)
        for key, rows in _read_ahead(pieces):
            if only in (None, key):
                run.rows(key, rows)
            done += len(rows)
            if progress:
                progress(done, total)
        run.flush()
    result = run.close()
    for shift in shifts:
        result.bad.update({reason: n for reason, n in shift.bad.items() if n})
        result.examples = {**shift.examples, **result.examples}
        result.ignored |= shift.ignored
    bad_rows = Counter({reason: n for reason, n in result.bad.items() if reason != "event"})
    if bad_rows and not result.counts.used:
        reason, n = bad_rows.most_common(1)[0]
        raise InputError(
            f"{result.examples[reason]}: no row can be used; `{reason}` is unusable in {n} of {total} rows"
        )
    return result


def _read_ahead(pieces: Iterator[tuple[Key, Rows]]) -> Iterator[tuple[Key, Rows]]:
    """The pieces as they are, the next one read while this one is worked through."""
    with ThreadPoolExecutor(1, "reader") as reader:
        coming = reader.submit(next, pieces, None)
        while (piece := coming.result()) is not None:
            coming = reader.submit(next, pieces, None)
            yield piece


class _Run:
    """One replay under way."""

    def __init__(
        self, settings_of: Callable[[Key], HammerSettings], reorder_ns: int, only: Key | None
    ) -> None:
        self._pipeline = Pipeline(settings_of)
        self._ledger = Ledger(historic_after_ns=0)
        self._only = only
        self._reorder_ns = reorder_ns
        self._admit = Admit("window", reorder_ns)
        self._alerts: dict[tuple[str, str, str, int], Alert] = {}
        self._noted: list[Outcome] = []
        self._not_found: Counter[Key] = Counter()

    def open(self, shift: Shift) -> None:
        """Make ready for a shift: how its rows are taken, what its feeds have, its events."""
        self._admit.policy = "none" if shift.as_it_came else "window"
        if not shift.as_it_came:
            for key, channels in shift.feeds().items():
                self._pipeline.declare(key, channels)
            for site, hammer in {(one.site, one.hammer) for one in shift.events if one.kind == "check"}:
                self._pipeline.declare((site, hammer), ("check",))
        for event in shift.events:
            if self._only in (None, (event.site, event.hammer)):
                self._admit.event(event)

    def rows(self, key: Key, rows: Rows) -> None:
        self._step(key, self._admit.rows(key, rows))

    def flush(self) -> None:
        for key in self._admit.keys:
            self._step(key, self._admit.flush(key))

    def close(self) -> Replayed:
        """Let every hammer's time pass to the end of the recording, the latest row of any of them."""
        keys = self._admit.keys
        end = max((self._admit.last(key) for key in keys), default=0)
        for key in keys:
            outcome = self._pipeline.step(
                Batch([self._admit.portion(key, NO_ROWS, end, closing=True)]), report=True
            )
            self._pipeline.keep(outcome)
            self._book(outcome)
        made = (alert.record() for alert in self._alerts.values())
        records = {(record["site"], record["id"]): record for record in made}
        return Replayed(
            records=sorted(records.values(), key=lambda r: (r["onset"], r["hammer"], r["fault"])),
            counts=sum(self._admit.counts().values(), Counts()),
            firing_h={key: self._pipeline.firing_ns(key) / SECOND / 3600 for key in keys},
            silent={key: self._pipeline.silent(key) for key in keys},
            noted=self._noted,
            end=end,
            not_found=self._not_found,
        )

    def _step(self, key: Key, rows: Rows) -> None:
        if len(rows):
            outcome = self._pipeline.step(Batch([self._admit.portion(key, rows)]))
            self._pipeline.keep(outcome)
            self._book(outcome)

    def _book(self, outcome: Outcome) -> None:
        self._not_found.update(outcome.not_found)
        for alert in self._ledger.follow(outcome.findings, outcome.on_duty):
            self._alerts[alert.site, alert.hammer, alert.fault, alert.onset] = alert
        if any(map(len, outcome.notes.values())):
            self._noted.append(replace(outcome, findings=[]))
