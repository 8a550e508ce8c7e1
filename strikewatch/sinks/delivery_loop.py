"""The delivery loop of an endpoint: load waiting messages, send those that are due, record the outcomes."""

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Final

import structlog

from strikewatch.core.instant import SECOND, Instant, seconds
from strikewatch.errors import StoreBlocked
from strikewatch.sinks import Endpoint, SendResult
from strikewatch.sinks.queue import AlertKey, Pending, Queue, UrgentMessages
from strikewatch.sinks.settings import MAX_WAIT_S
from strikewatch.storage.outbox.messages import PAGE_SIZE, TEST, Message, Outbox
from strikewatch.storage.outbox.outcomes import Outcome

_log = structlog.get_logger(__name__)

Clock = Callable[[], int]
"""Nanoseconds: `time.time_ns` or `time.monotonic_ns`, or a test's own."""

BATCH_MESSAGES: Final = 64
"""How many messages are sent before new ones are loaded."""
MAX_HISTORIC: Final = 1000
"""So many historic messages wait in memory; more of them are left in the database until half of these are sent."""
BLOCKED: Final = "waits behind a parked message of its alert"
SUPERSEDED: Final = "superseded: all its alerts have newer messages"
GONE: Final = "HTTP 410: the endpoint says that it is gone for good"


class DeliveryLoop:
    """The work of an endpoint, without a thread of its own."""

    def __init__(self, outbox: Outbox, endpoint: Endpoint, wall: Clock, monotonic: Clock) -> None:
        self.outbox = outbox
        self._name = endpoint.name
        self._schedule = endpoint.schedule
        self._sender = endpoint.sender
        self._on_gone = endpoint.on_gone
        self._wall = wall
        self._monotonic = monotonic
        self._queue = Queue()
        self._last_seq = 0
        """The last message that was read from the database."""
        self._handed: set[int] = set()
        """Later messages, which were handed over in memory."""
        self._left_from: int | None = None
        """All historic messages from this number on are left in the database, and none before it."""
        self._newest_historic = 0
        """The last historic message that was queued."""
        self._unwritten: dict[AlertKey, Outcome] = {}
        """The last outcome of an alert while it may not be written; after a crash its message is sent again."""
        self._external_changes = -1  # so that the first refresh loads whether the endpoint is on
        self.urgent = UrgentMessages(endpoint, wall, monotonic)
        self.close = endpoint.sender.close

    def next_due(self) -> Instant | None:
        """Return when the next message is due (monotonic, ns); None while nothing waits."""
        dues = (self._queue.next_due(), self.urgent.next_due())
        return min((due for due in dues if due is not None), default=None)

    def refresh(self) -> None:
        """Read what is new in the database; all, if someone else changed waiting messages or switched the endpoint."""
        external_changes = self.outbox.external_changes()
        if external_changes != self._external_changes:
            self._reload(external_changes)
        self._read()

    def load(self) -> None:
        """Load the messages that were committed since the last call."""
        self._load_left()
        handed = self.outbox.take_handed()
        if handed is None or any(m.external_changes != self._external_changes for m in handed):
            # earlier messages may wait again, and these must not overtake them
            self._read()
            return
        outcomes: list[Outcome] = []
        for message in handed:
            if message.seq > self._last_seq:
                self._handed.add(message.seq)
                outcomes += self._add(message)
        self.outbox.record_outcomes(outcomes)

    def _read(self) -> None:
        """Read the messages that were queued since the last call, and drop those that were handed over meanwhile."""
        last_handed = max(self._handed, default=0)
        while page := self.outbox.waiting(self._last_seq):
            if page[0].external_changes != self._external_changes:
                self._reload(page[0].external_changes)
                last_handed = 0
                continue
            outcomes: list[Outcome] = []
            for message in page:
                self._last_seq = message.seq
                if message.seq not in self._handed:
                    outcomes += self._add(message)
            self.outbox.record_outcomes(outcomes)
            if len(page) < PAGE_SIZE:
                break
        self._last_seq = max(self._last_seq, last_handed)  # what was handed over was committed in order
        self._handed.clear()

    def _load_left(self) -> None:
        """Load historic messages that were left in the database, once few others wait; later, if it refuses."""
        if self._left_from is None or self._queue.historic > MAX_HISTORIC // 2:
            return
        try:
            self.outbox.flush()  # so that messages behind a parked one are read as blocked
        except StoreBlocked:
            return
        while self._left_from is not None and self._queue.historic <= MAX_HISTORIC // 2:
            page = self.outbox.waiting(self._left_from - 1, historic=True)
            if page and page[0].external_changes != self._external_changes:
                return  # all is read again soon
            self._left_from = page[-1].seq + 1 if len(page) == PAGE_SIZE else None
            outcomes: list[Outcome] = []
            for message in page:
                if message.seq > self._last_seq and message.seq not in self._handed:
                    self._left_from = message.seq  # it is yet to come by the usual way, and is then left
                    self.outbox.record_outcomes(outcomes)
                    return
                outcomes += self._queue_or_block(message)
            self.outbox.record_outcomes(outcomes)

    def _add(self, message: Message) -> list[Outcome]:
        """Queue a new message, or leave it in the database; return its outcome if it need not be sent.

        A historic one is left while many others wait, and so are all later ones: an alert's messages stay in order.
        """
        if message.historic:
            if self._left_from is None and self._queue.historic >= MAX_HISTORIC:
                self._left_from = max(self._newest_historic + 1, message.seq)
            if self._left_from is not None and message.seq >= self._left_from:
                return []
        return self._queue_or_block(message)

    def _queue_or_block(self, message: Message) -> list[Outcome]:
        """Queue a message; return its outcome if it need not be sent. Its due time becomes monotonic time."""
        if message.historic:
            self._newest_historic = max(self._newest_historic, message.seq)
        urgent = self.urgent.take(message.name)
        if message.blocked:
            return [self._blocked(message.seq, message.attempts)]
        if urgent is None:
            wait = min(max(message.due - self._wall(), 0), seconds(MAX_WAIT_S)) if message.attempts else 0
            self._queue.add(message, self._monotonic() + wait)
        elif urgent.outcome is None:
            self._queue.add(replace(message, attempts=urgent.attempts), urgent.due)
        else:
            outcome = replace(urgent.outcome, seq=message.seq)
            self._unwritten[message.site, message.alert_id] = outcome
            return [outcome]
        return []

    def send_due(self, stopping: Callable[[], bool], interrupted: Callable[[], bool] = lambda: False) -> None:
        """Send what is due, up to a batch or until interrupted, and record the outcomes. Raises StoreBlocked.

        A message waits while the outcome of an earlier one of its alert is not written: a repetition of the earlier
        one after a crash must not follow this one. Others are sent first.
        """
        held: list[Pending] = []
        gone = False
        try:
            for _ in range(BATCH_MESSAGES):
                if gone or stopping():
                    break
                pending = self._queue.take(self._monotonic())
                if pending is None:
                    if not held:
                        break
                    self._put_back(held)
                    self.outbox.flush()
                    continue
                last = self._unwritten.get(pending.alert_key)
                if last is not None and not last.written:
                    held.append(pending)
                    continue
                outcomes, gone = self.attempt(pending)
                self._unwritten[pending.alert_key] = outcomes[0]
                self.outbox.record_outcomes(outcomes)
                if pending.historic and interrupted():
                    break
        finally:
            self._put_back(held)
        self._unwritten = {key: last for key, last in self._unwritten.items() if not last.written}
        if gone:
            self._switch_off()

    def _put_back(self, held: list[Pending]) -> None:
        for pending in held:
            self._queue.put_back(pending)
        held.clear()

    def send_now(self, number: int) -> None:
        """Send only the message with this number, now."""
        message = self.outbox.message(number)
        assert message is not None
        self._queue.add(message, self._monotonic())
        pending = self._queue.take(self._monotonic())
        assert pending is not None
        outcomes, gone = self.attempt(pending)
        self.outbox.record_outcomes(outcomes)
        self.outbox.flush()
        if gone:
            self._switch_off()
        self.close()

    def idle(self) -> None:
        """Write the recorded outcomes and let the sender release its connection; call when nothing is due."""
        with suppress(StoreBlocked):
            self.outbox.flush()
        self._sender.idle()

    def attempt(self, pending: Pending) -> tuple[list[Outcome], bool]:
        """Try to send a message; return the outcomes for it and its alert, and whether the endpoint is gone."""
        try:
            message = pending.message or self.outbox.message(pending.seq)
        except StoreBlocked:
            self._queue.put_back(pending)
            raise
        if message is None:
            self._queue.done(pending)
            now = self._wall()
            return [Outcome(pending.seq, "sent", pending.attempts, now, SUPERSEDED, now)], False
        began = time.perf_counter_ns()
        result = self._sender.send(message, self._wall())
        if message.left_out:
            left_out = f"alerts left out, since they have newer messages: {message.left_out}"
            result = replace(result, trace=f"{left_out}\n{result.trace}")
        return self._outcomes_of(pending, result, (time.perf_counter_ns() - began) // 1000), result.gone

    def _reload(self, external_changes: int) -> None:
        """Forget what waits, so that all of it is read again."""
        self.outbox.refresh()
        self._external_changes = external_changes
        self._queue.clear()
        self._handed.clear()
        self._left_from = None
        self._newest_historic = self._last_seq = 0

    def _outcomes_of(self, pending: Pending, result: SendResult, took_us: int) -> list[Outcome]:
        now: Instant = self._wall()
        attempts = pending.attempts + 1
        tried = result.summary, now, took_us, result.trace
        if result.delivered:
            self._queue.done(pending)
            return [Outcome(pending.seq, "sent", attempts, now, *tried)]
        log = _log.bind(
            endpoint=self._name, alert=pending.alert_key[1], attempts=attempts, outcome=result.summary
        )
        final = result.gone or pending.step == TEST
        wait_s = None if final else self._schedule.wait_s(attempts, result.retry_after_s)
        if wait_s is None:
            if not final:
                log.error("delivery_parked", remedy="fix the receiver, then run: strikewatch deliveries send")
            return [
                Outcome(pending.seq, "parked", attempts, now, *tried),
                *(self._blocked(each.seq, each.attempts) for each in self._queue.dead_letter(pending)),
            ]
        wait = seconds(wait_s)
        self._queue.retry(pending, self._monotonic() + wait)
        log.warning("delivery_failed", retry_s=round(wait / SECOND, 1))
        return [Outcome(pending.seq, "waiting", attempts, now + wait, *tried)]

    def _blocked(self, seq: int, attempts: int) -> Outcome:
        now = self._wall()
        return Outcome(seq, "parked", attempts, now, BLOCKED, now)

    def _switch_off(self) -> None:
        self.outbox.switch_off(GONE, self._wall())
        self._queue.clear()
        self._left_from = None
        self.outbox.take_handed()  # parked with the others
        if self._on_gone is not None:
            self._on_gone()
            return
        _log.error(
            "endpoint_off",
            endpoint=self._name,
            reason=GONE,
            remedy="change its address in the settings, remove it, or run: strikewatch deliveries on",
        )
