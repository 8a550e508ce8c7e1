"""The delivery loop of an endpoint: load waiting messages, send those that are due, record the outcomes."""

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import structlog

from strikewatch.core.instant import SECOND, Instant, seconds
from strikewatch.sinks.endpoint import Endpoint, SendResult
from strikewatch.sinks.queue import AlertKey, Pending, Queue
from strikewatch.sinks.settings import MAX_WAIT_S
from strikewatch.sinks.urgent import UrgentMessages
from strikewatch.storage.outbox.messages import PAGE_SIZE, TEST, Message, Outbox, Outcome

_log = structlog.get_logger(__name__)

Clock = Callable[[], int]
"""Nanoseconds: `time.time_ns` or `time.monotonic_ns`, or a test's own."""

BATCH_MESSAGES: Final = 64
"""How many messages are sent before new ones are loaded."""
BLOCKED: Final = "waits behind a parked message of its alert"
GONE: Final = "HTTP 410: the endpoint says that it is gone for good"


class DeliveryLoop:
    """The work of an endpoint, without a thread of its own."""

    def __init__(self, outbox: Outbox, endpoint: Endpoint, wall: Clock, monotonic: Clock) -> None:
        self.outbox = outbox
        self._name = endpoint.name
        self._schedule = endpoint.schedule
        self._sender = endpoint.sender
        self._wall = wall
        self._monotonic = monotonic
        self._queue = Queue()
        self._last_seq = 0
        self._unrecorded: set[AlertKey] = set()
        """Alerts with an outcome that may not be stored yet; after a crash their message is sent again."""
        self._external_changes = -1  # so that the first refresh loads whether the endpoint is on
        self.urgent = UrgentMessages(endpoint, wall, monotonic)
        self.close = endpoint.sender.close

    def next_due(self) -> Instant | None:
        """Return when the next message is due (monotonic, ns); None while nothing waits."""
        dues = (self._queue.next_due(), self.urgent.next_due())
        return min((due for due in dues if due is not None), default=None)

    def refresh(self) -> None:
        """Reload if someone else has changed the waiting messages or switched the endpoint."""
        external_changes = self.outbox.external_changes()
        if external_changes != self._external_changes:
            self._reload(external_changes)

    def load(self) -> None:
        """Load the messages queued since the last call; due times become monotonic time, which never jumps."""
        wall, monotonic = self._wall(), self._monotonic()
        outcomes: list[Outcome] = []
        stored_names: list[str] = []
        while page := self.outbox.waiting(self._last_seq):
            if page[0].external_changes != self._external_changes:
                # earlier messages may wait again, and these must not overtake them
                outcomes.clear()
                stored_names.clear()
                self._reload(page[0].external_changes)
                continue
            for message in page:
                self._last_seq = message.seq
                urgent = self.urgent.find(message.name)
                if urgent is not None:
                    stored_names.append(message.name)
                if message.blocked:
                    outcomes.append(self._blocked(message.seq, message.attempts))
                elif urgent is not None and urgent.outcome is not None:
                    outcomes.append(replace(urgent.outcome, seq=message.seq))
                    self._unrecorded.add((message.site, message.alert_id))
                elif urgent is not None:
                    self._queue.add(replace(message, attempts=urgent.attempts), urgent.due)
                else:
                    wait = min(max(message.due - wall, 0), seconds(MAX_WAIT_S)) if message.attempts else 0
                    self._queue.add(message, monotonic + wait)
            if len(page) < PAGE_SIZE:
                break
        self.outbox.record_outcomes(outcomes)
        for name in stored_names:
            self.urgent.drop(name)

    def send_due(self, stopping: Callable[[], bool], interrupted: Callable[[], bool] = lambda: False) -> None:
        """Send what is due, up to a batch or until interrupted, and record the outcomes."""
        outcomes: list[Outcome] = []
        gone = False
        for _ in range(BATCH_MESSAGES):
            if gone or stopping():
                break
            pending = self._queue.take(self._monotonic())
            if pending is None:
                break
            if pending.alert_key in self._unrecorded:
                # a repetition of the earlier message must not follow this one
                self.outbox.record_outcomes(outcomes)
                outcomes = []
                self._flush()
            self._unrecorded.add(pending.alert_key)
            sent_outcomes, gone = self.attempt(pending.message or self.outbox.message(pending.seq), pending)
            outcomes += sent_outcomes
            if pending.historic and interrupted():
                break
        self.outbox.record_outcomes(outcomes)
        if gone:
            self._switch_off()

    def send_now(self, number: int) -> None:
        """Send only the message with this number, now."""
        message = self.outbox.message(number)
        self._queue.add(message, self._monotonic())
        pending = self._queue.take(self._monotonic())
        assert pending is not None
        outcomes, gone = self.attempt(message, pending)
        self.outbox.record_outcomes(outcomes)
        self.outbox.flush()
        if gone:
            self._switch_off()
        self.close()

    def idle(self) -> None:
        """Write the recorded outcomes and let the sender release its connection; call when nothing is due."""
        self._flush()
        self._sender.idle()

    def attempt(self, message: Message, pending: Pending) -> tuple[list[Outcome], bool]:
        """Try to send a message; return the outcomes for it and its alert, and whether the endpoint is gone."""
        began = time.perf_counter_ns()
        result = self._sender.send(message, self._wall())
        return self._outcomes_of(pending, result, (time.perf_counter_ns() - began) // 1000), result.gone

    def _flush(self) -> None:
        self.outbox.flush()
        self._unrecorded.clear()

    def _reload(self, external_changes: int) -> None:
        self.outbox.refresh()
        self._external_changes = external_changes
        self._queue.clear()
        self._last_seq = 0

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
        _log.error(
            "endpoint_off",
            endpoint=self._name,
            reason=GONE,
            remedy="change its address in the settings, remove it, or run: strikewatch deliveries on",
        )
