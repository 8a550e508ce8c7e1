"""The live step: messages in, one transaction, then the acknowledgement.

decode → admit → pipeline → ledger → store → acknowledge. A crash anywhere before the commit means redelivery, after it
a repetition that admit drops.
"""

import json
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import count
from typing import Any, Final, Protocol

import structlog

from strikewatch.alarm.ledger import Ledger
from strikewatch.alarm.own import DISK_FULL
from strikewatch.alarm.state import LAYOUT
from strikewatch.deliver.log import log_changes
from strikewatch.detect.corrections import KEPT
from strikewatch.errors import Rejected, StoreError, StoreLost
from strikewatch.hosts.full_disk import Ahead, FullDisk
from strikewatch.hosts.present import Present
from strikewatch.intake.admit import Admit
from strikewatch.intake.decode import Samples, decode
from strikewatch.intake.mqtt import Message
from strikewatch.model import instant
from strikewatch.model.alert import Change
from strikewatch.model.batch import NO_ROWS, Batch, Key, Portion, Rows
from strikewatch.model.bout import Worked
from strikewatch.model.events import Event
from strikewatch.model.instant import SECOND, Instant
from strikewatch.model.stretch import Spent
from strikewatch.pipeline import Outcome, Pipeline
from strikewatch.settings import Settings
from strikewatch.store import spool
from strikewatch.store.noted import Noted
from strikewatch.store.step import Reject, StepRecord
from strikewatch.store.store import Store

_log: Final = structlog.get_logger("worker")

STEP_MESSAGES: Final = 250
"""At most so many messages in one step, so that what comes meanwhile soon has its turn. More would save little."""
UNKNOWN_TOLD: Final = 1000
"""Unknown keys said at most: a sender that makes up new ones for ever is not worth the memory."""
LOOK_EVERY: Final = SECOND
LOOK_UPTO: Final = 400 * SECOND
"""No deadline of any detector lies further behind the last row."""
CORRECTION_TOO_LATE: Final = (
    f"only the last {KEPT} entries can be corrected; enter what was done last, or the hour meter with the reason "
    "corrected"
)
RETRY_COMMIT_S: Final = 1.0
SAY_EVERY: Final = 60
"""Refusals of one commit from one word about it to the next."""


class Source(Protocol):
    """Where messages come from: a `Subscriber`."""

    def take(self, limit: int, timeout_s: float) -> list[Message]: ...
    def acknowledge(self, messages: Iterable[Message]) -> None: ...


Shown = Callable[[Instant, Sequence[Portion], Outcome], None]
"""Given when a step began (wall clock), its portions, and its outcome."""


class Worker:
    """Owns the core's state; one thread calls `turn` again and again.

    `wall` and `monotonic` tell ns; `told` is called after a step that changed alerts, `ahead` with what must go out
    before it is stored; `wait(s)` waits for up to s and tells whether to stop.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        source: Source,
        *,
        wall: Callable[[], Instant],
        monotonic: Callable[[], Instant],
        told: Callable[[], None],
        wait: Callable[[float], bool],
        ahead: Ahead = lambda _told: None,
    ) -> None:
        intake = settings.intake
        self._prefix = settings.mqtt.prefix
        self._max_ahead_ns = instant.seconds(intake.max_ahead_s)
        self._grace_ns = instant.seconds(intake.grace_s)
        self._reorder_ns = instant.seconds(intake.reorder_s)
        self._store = store
        self._source = source
        self._monotonic = monotonic
        self._told = told
        self._wait = wait
        self.shown: Shown = lambda _received, _portions, _outcome: None
        """Handed what each step of the detectors came to."""
        self._admit = Admit("hole", self._reorder_ns)
        self._pipeline = Pipeline(settings.of_hammer)
        self._ledger = Ledger(instant.seconds(intake.historic_after_s))
        self._heard: dict[Key, Instant] = {}
        self._looked = monotonic()
        self._unknown: set[tuple[Key, str]] = set()
        self.rejected: Counter[str] = Counter()
        self.messages = 0
        self._full_disk = FullDisk(store, ahead, monotonic)
        self._present = Present(wall, monotonic, self._resume())
        self._noted = Noted(store)

    def present(self) -> list[tuple[Key, Any]]:
        """Every hammer's record as it stands; for before the first turn."""
        return [(key, self._pipeline.present(key)) for key in self._pipeline.hammers]

    def turn(self, timeout_s: float) -> int:
        """Take what has come, for up to `timeout_s`, and see it through; how many messages that were."""
        messages = self._source.take(STEP_MESSAGES, timeout_s)
        step = _Step(self._present())
        for message in messages:
            self._decode(message, step)
        now = self._monotonic()
        touched = self._admit_rows(step, now)
        self._advance(step)
        if now - self._looked >= LOOK_EVERY:
            self._looked = now
            self._take_noted()
            self._look_ahead(step, now)
            if self._look(step.received):
                self._told()
        own = self._full_disk.look(step.received, self._heard)
        if messages or step.changes or own:
            self._commit(step, touched, own)
            self._source.acknowledge(messages)
            if step.changes or own:
                self._told()
                log_changes(step.changes)
        self.messages += len(messages)
        return len(messages)

    def _resume(self) -> Instant:
        """Go on where the last commit left off; the wall time of that."""
        saved = self._store.load()
        now = self._monotonic()
        waiting: dict[Key, Rows] = {}
        for key, (layout, state) in saved.states.items():
            size = sum(int(part.rpartition(":")[2]) for part in layout.split())
            lost = self._pipeline.restore(key, layout, state[:size])
            if lost:
                _log.warning("state_lost", site=key[0], hammer=key[1], begun_anew=lost)
            if len(state) > size:
                [(_, waiting[key])], _ = spool.decode(state[size:])
            self._heard[key] = now
        events: dict[Key, list[Event]] = {}
        for event in saved.events:
            events.setdefault((event.site, event.hammer), []).append(event)
        for key in dict.fromkeys([*saved.states, *events]):
            self._admit.restore(key, self._pipeline.upto(key), waiting.get(key, NO_ROWS), events.get(key, ()))
            self._heard.setdefault(key, now)
        for one in saved.alerts:
            key = one.record["site"], one.record["hammer"]
            if one.record["fault"] == DISK_FULL.name:
                self._full_disk.restore(key[0], one.onset)
                continue
            self._ledger.restore(key, one.alert(), one.ahead, max(self._pipeline.upto(key), one.onset))
        return saved.newest

    def _decode(self, message: Message, step: "_Step") -> None:
        try:
            decoded = decode(
                message.topic,
                message.payload,
                message.received_ns - self._present.doubt,
                self._prefix,
                self._max_ahead_ns + max(self._present.doubt, 0),
            )
        except Rejected as error:
            step.reject(message.topic, message.payload, error)
            return
        if isinstance(decoded, Samples):
            key = decoded.key
            step.rows.setdefault(key, []).append(decoded.rows)
            if len(decoded.rows):
                self._present.heard(key, int(decoded.rows.time_ns[-1]))
            if message.redelivered:
                step.again.add(key)
            for rejected in decoded.rejected:
                step.reject(message.topic, message.payload, rejected)
        else:
            event = decoded.event
            key = event.site, event.hammer
            if event not in step.events and not self._store.knows(event):
                step.events.append(event)
                self._admit.event(event)
                self._heard.setdefault(key, self._monotonic())
        for name in decoded.unknown:
            if (key, name) not in self._unknown and len(self._unknown) < UNKNOWN_TOLD:
                self._unknown.add((key, name))
                _log.warning(
                    "unknown_key", site=key[0], hammer=key[1], key=name, remedy="see the list of channels"
                )

    def _admit_rows(self, step: "_Step", now: Instant) -> list[Key]:
        """Let rows pass; returns the hammers whose state has changed."""
        touched = []
        for key, parts in step.rows.items():
            arrived = Rows.join(parts)
            if len(arrived) and arrived.time_ns.max() > self._admit.last(key):
                self._heard[key] = (
                    now  # late ones, as of a clock that was set back, are no sign of the present
                )
            self._heard.setdefault(key, now)
            rows = self._admit.rows(key, arrived, again=key in step.again)
            touched.append(key)
            if len(rows):
                step.portions.append(self._admit.portion(key, rows))
            for reason, unused in self._admit.take_unused(key):
                step.reject_rows(key, reason, unused)
        for key in self._admit.holding:
            if now - self._heard[key] >= self._reorder_ns:
                step.portions.append(self._admit.portion(key, self._admit.flush(key)))
                touched.append(key)
        return touched

    def _advance(self, step: "_Step") -> None:
        if not step.portions:
            return
        outcome = self._pipeline.step(Batch(step.portions))
        self._pipeline.keep(outcome)
        self.shown(step.received, step.portions, outcome)
        for site, hammer in outcome.not_found:
            _log.warning("correction_too_late", site=site, hammer=hammer, remedy=CORRECTION_TOO_LATE)
        step.bouts += outcome.bouts()
        step.stretches += outcome.stretches()
        step.changes += self._ledger.take(outcome.findings, outcome.on_duty, step.received)
        for portion in step.portions:
            step.changes += self._ledger.withdraw(portion.key, portion.upto)

    def _look_ahead(self, step: "_Step", now: Instant) -> None:
        """Where nothing is heard time passes all the same; the state of it is not kept, so that rows may still come."""
        portions: list[Portion] = []
        for key, heard in self._heard.items():
            silent = now - heard
            if self._grace_ns <= silent <= LOOK_UPTO:
                upto = self._admit.last(key) + silent - self._grace_ns
                if upto > self._pipeline.upto(key) > 0:
                    portions.append(self._admit.ahead(key, upto))
        if portions:
            outcome = self._pipeline.step(Batch(portions), report=True)
            ahead = {portion.key: portion.upto for portion in portions}
            for finding in outcome.findings:
                step.changes += self._ledger.take(
                    [finding], outcome.on_duty, step.received, ahead=ahead[finding.key]
                )

    def _take_noted(self) -> None:
        """Events that somebody entered beside the processor."""
        try:
            noted = self._noted.take()
        except StoreLost:
            raise
        except StoreError as error:
            _log.error("look_refused", problem=str(error), remedy="nothing is lost; it is tried again")
            return
        for event in noted:
            self._admit.event(event)
            self._heard.setdefault((event.site, event.hammer), self._monotonic())
            _log.info("event_noted", site=event.site, hammer=event.hammer, event_kind=event.kind)

    def _look(self, now: Instant) -> bool:
        """Let what waits to be told come up; a database that refuses is asked again with the next look."""
        try:
            return self._store.look(now)
        except StoreLost:
            raise
        except StoreError as error:
            _log.error("look_refused", problem=str(error), remedy="nothing is lost; it is tried again")
            return False

    def _commit(self, step: "_Step", touched: Sequence[Key], own: Sequence[Change]) -> None:
        """Make the step durable; a database that refuses is tried again, while the broker keeps what follows."""
        states = {}
        for key in touched:
            state = self._pipeline.saved(key)
            waiting = self._admit.waiting(key)
            states[key] = state + spool.encode([(key, waiting)]) if len(waiting) else state
        record = StepRecord(
            received=step.received,
            rows=[(portion.key, portion.rows) for portion in step.portions],
            events=step.events,
            applied=[replace(e, applied=e.effective) for portion in step.portions for e in portion.events],
            changes=[*step.changes, *own],
            bouts=step.bouts,
            stretches=step.stretches,
            states=states,
            layout=LAYOUT,
            rejects=step.rejects,
            counts=self._admit.take_tally(),
        )
        self.rejected.update(reject.reason for reject in step.rejects)
        for refused in count():
            try:
                self._store.commit(record)
                if refused:
                    _log.warning("commit_taken", refused=refused)
                self._full_disk.stored()
                return
            except StoreLost:
                raise
            except StoreError as error:
                if refused % SAY_EVERY == 0:
                    _log.error(
                        "commit_refused", problem=str(error), remedy="nothing is lost; it is tried again"
                    )
                more = self._full_disk.refused(step.received, self._heard)
                record = replace(record, changes=[*record.changes, *more])
                if self._wait(RETRY_COMMIT_S):
                    raise


class _Step:
    """What one turn gathers."""

    def __init__(self, received: Instant) -> None:
        self.received = received
        self.rows: dict[Key, list[Rows]] = {}
        self.again: set[Key] = set()
        self.events: list[Event] = []
        self.portions: list[Portion] = []
        self.changes: list[Change] = []
        self.bouts: list[Worked] = []
        self.stretches: list[Spent] = []
        self.rejects: list[Reject] = []

    def reject(self, topic: str, payload: bytes, error: Rejected) -> None:
        self.rejects.append(Reject(topic, payload, error.reason, error.detail))

    def reject_rows(self, key: Key, reason: str, rows: Rows) -> None:
        first, last = instant.text(int(rows.time_ns[0])), instant.text(int(rows.time_ns[-1]))
        kept: dict[str, Any] = {"time_ns": rows.time_ns.tolist()}
        for name, column in rows.columns.items():
            kept[name] = [None if value != value else value for value in column.tolist()]
        detail = f"{len(rows)} rows from {first} to {last}, older than what was worked through"
        self.rejects.append(Reject(f"{key[0]}/{key[1]}", json.dumps(kept).encode(), reason, detail))
