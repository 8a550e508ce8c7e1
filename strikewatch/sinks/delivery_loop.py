"""One endpoint's rounds: learn what waits, send what is due, note what became of it."""

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import structlog

from strikewatch.core.instant import SECOND, Instant, seconds
from strikewatch.sinks.endpoint import Endpoint
from strikewatch.sinks.queue import Line, Pending, Queue
from strikewatch.sinks.retry_schedule import LONGEST_S
from strikewatch.sinks.sender import Answer
from strikewatch.sinks.urgent import Ahead
from strikewatch.storage.outbox.messages import PAGE, TEST, Message, Outbox, Outcome

_log = structlog.get_logger(__name__)

Clock = Callable[[], int]
"""Nanoseconds: `time.time_ns` or `time.monotonic_ns`, or a test's own."""

BATCH: Final = 64
"""Messages sent before a look at what else has come."""
BEHIND: Final = "waits behind a parked message of its alert"
GONE: Final = "HTTP 410: the endpoint says that it is gone for good"


class Round:
    """The work of one endpoint, without a thread of its own."""

    def __init__(self, outbox: Outbox, endpoint: Endpoint, wall: Clock, monotonic: Clock) -> None:
        self.outbox = outbox
        self._name = endpoint.name
        self._schedule = endpoint.schedule
        self._sender = endpoint.sender
        self._wall = wall
        self._monotonic = monotonic
        self._queue = Queue()
        self._seen = 0
        self._unwritten: set[Line] = set()
        """Alerts of which something was sent that may not yet be on record: after a crash it is sent again."""
        self._nudged = -1  # so that the first look asks whether it is on
        self.ahead = Ahead(endpoint, wall, monotonic)
        self.close = endpoint.sender.close

    def next_due(self) -> Instant | None:
        """When there is something to send, by the monotonic clock; None while nothing waits."""
        dues = (self._queue.next_due(), self.ahead.next_due())
        return min((due for due in dues if due is not None), default=None)

    def heed(self) -> None:
        """Look anew if somebody outside has changed what waits here."""
        nudged = self.outbox.nudged()
        if nudged != self._nudged:
            self._look_anew(nudged)

    def learn(self) -> None:
        """Take in what was queued since the last look, with its due time on the clock that never jumps."""
        wall, monotonic = self._wall(), self._monotonic()
        outcomes: list[Outcome] = []
        early: list[str] = []
        while page := self.outbox.waiting(self._seen):
            if page[0].nudged != self._nudged:  # earlier ones may wait again, which these must not overtake
                outcomes.clear()
                early.clear()
                self._look_anew(page[0].nudged)
                continue
            for one in page:
                self._seen = one.seq
                sent = self.ahead.find(one.name)
                if sent is not None:
                    early.append(one.name)
                if one.behind:
                    outcomes.append(self._behind(one.seq, one.attempts))
                elif sent is not None and sent.outcome is not None:
                    outcomes.append(replace(sent.outcome, seq=one.seq))
                    self._unwritten.add((one.site, one.alert_id))
                elif sent is not None:
                    self._queue.add(replace(one, attempts=sent.attempts), sent.due)
                else:
                    wait = min(max(one.due - wall, 0), seconds(LONGEST_S)) if one.attempts else 0
                    self._queue.add(one, monotonic + wait)
            if len(page) < PAGE:
                break
        self.outbox.settle(outcomes)
        for name in early:
            self.ahead.drop(name)

    def drain(self, stopping: Callable[[], bool], news: Callable[[], bool] = lambda: False) -> None:
        """Send what is due, up to a batch or until there is news, and note what became of it."""
        outcomes: list[Outcome] = []
        gone = False
        for _ in range(BATCH):
            if gone or stopping():
                break
            one = self._queue.take(self._monotonic())
            if one is None:
                break
            if one.line in self._unwritten:  # a repeat of what was sent must not come after this
                self.outbox.settle(outcomes)
                outcomes = []
                self._write()
            self._unwritten.add(one.line)
            made, gone = self.attempt(one.message or self.outbox.message(one.seq), one)
            outcomes += made
            if one.historic and news():
                break
        self.outbox.settle(outcomes)
        if gone:
            self._switch_off()

    def once(self, number: int) -> None:
        """Send this one message now, and nothing else."""
        message = self.outbox.message(number)
        self._queue.add(message, self._monotonic())
        one = self._queue.take(self._monotonic())
        assert one is not None
        outcomes, gone = self.attempt(message, one)
        self.outbox.settle(outcomes)
        self.outbox.flush()
        if gone:
            self._switch_off()
        self.close()

    def rest(self) -> None:
        """Nothing came for a while: write what is noted, and let go of what need not be held."""
        self._write()
        self._sender.rest()

    def attempt(self, message: Message, one: Pending) -> tuple[list[Outcome], bool]:
        """Try to send a message; what becomes of it and of its line, and whether the endpoint is gone."""
        began = time.perf_counter_ns()
        answer = self._sender.send(message, self._wall())
        return self._judge(one, answer, (time.perf_counter_ns() - began) // 1000), answer.gone

    def _write(self) -> None:
        self.outbox.flush()
        self._unwritten.clear()

    def _look_anew(self, nudged: int) -> None:
        self.outbox.look_anew()
        self._nudged = nudged
        self._queue.clear()
        self._seen = 0

    def _judge(self, one: Pending, answer: Answer, took_us: int) -> list[Outcome]:
        now: Instant = self._wall()
        attempts = one.attempts + 1
        tried = answer.words, now, took_us, answer.story
        if answer.taken:
            self._queue.done(one)
            return [Outcome(one.seq, "sent", attempts, now, *tried)]
        tell = _log.bind(endpoint=self._name, alert=one.line[1], attempts=attempts, outcome=answer.words)
        final = answer.gone or one.step == TEST
        wait_s = None if final else self._schedule.wait_s(attempts, answer.retry_after_s)
        if wait_s is None:
            if not final:
                tell.error("delivery_parked", remedy="see to the receiver, then: strikewatch deliveries send")
            return [
                Outcome(one.seq, "parked", attempts, now, *tried),
                *(self._behind(each.seq, each.attempts) for each in self._queue.park(one)),
            ]
        wait = seconds(wait_s)
        self._queue.again(one, self._monotonic() + wait)
        tell.warning("delivery_failed", retry_s=round(wait / SECOND, 1))
        return [Outcome(one.seq, "waiting", attempts, now + wait, *tried)]

    def _behind(self, seq: int, attempts: int) -> Outcome:
        now = self._wall()
        return Outcome(seq, "parked", attempts, now, BEHIND, now)

    def _switch_off(self) -> None:
        self.outbox.switch_off(GONE, self._wall())
        self._queue.clear()
        _log.error(
            "endpoint_off",
            endpoint=self._name,
            reason=GONE,
            remedy="change its address in the settings, remove it, or: strikewatch deliveries on",
        )
