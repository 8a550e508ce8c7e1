"""The courier drains the outbox: a worker for each endpoint, so that a slow one holds up nobody else.

Attempts, due times and outcomes are rows, so they survive a restart. An outcome is written after the attempt,
with the next step or soon on its own: a crash in between repeats a message under its name, and loses none.
"""

import threading
from collections.abc import Callable, Sequence
from typing import Final

import structlog

from strikewatch.deliver import webhook
from strikewatch.deliver.post import Poster
from strikewatch.deliver.queue import Pending, Queue
from strikewatch.deliver.schedule import LONGEST_S
from strikewatch.deliver.sender import Answer
from strikewatch.deliver.target import read_secrets
from strikewatch.model.instant import SECOND, Instant, seconds
from strikewatch.store.outbox import PAGE, Outbox, Outcome
from strikewatch.store.store import Store

_log = structlog.get_logger(__name__)

Clock = Callable[[], int]
"""Nanoseconds: `time.time_ns` or `time.monotonic_ns`, or a test's own."""

BATCH: Final = 64
"""Messages sent before a look at what else has come."""
FLUSH_S: Final = 0.05
"""How long outcomes wait for a step to be written with (seconds)."""

GONE: Final = "HTTP 410: the endpoint says that it is gone for good"


class Courier:
    """All endpoints' workers. `wake` after each step that changed alerts; look at `failure` now and then.

    `failed` is called, from the worker's thread, when one dies of something other than a failed delivery.
    Raises SettingsError where a secret cannot be read.
    """

    def __init__(
        self,
        store: Store,
        endpoints: Sequence[webhook.Settings],
        wall: Clock,
        monotonic: Clock,
        failed: Callable[[BaseException], None] = lambda _: None,
    ) -> None:
        self._workers = [
            Worker(
                Outbox(store, one.name),
                one,
                read_secrets(one, f"webhook {one.name}"),
                wall,
                monotonic,
                failed,
            )
            for one in endpoints
        ]

    def start(self) -> None:
        for worker in self._workers:
            worker.start()

    def wake(self) -> None:
        """There may be something to send, or the clock has moved. Never blocks."""
        for worker in self._workers:
            worker.wake()

    def stop(self) -> None:
        """Finish the attempts under way, write down what became of them, and end."""
        for worker in self._workers:
            worker.stop()
        for worker in self._workers:
            worker.join()

    @property
    def failure(self) -> BaseException | None:
        """What killed a worker; None while all live."""
        return next((one.failure for one in self._workers if one.failure), None)

    @property
    def off(self) -> dict[str, str]:
        """The endpoints that are switched off, and why."""
        return {one.name: one.off for one in self._workers if one.off}


class Worker:
    """The thread that serves one endpoint."""

    def __init__(
        self,
        outbox: Outbox,
        settings: webhook.Settings,
        keys: Sequence[bytes],
        wall: Clock,
        monotonic: Clock,
        failed: Callable[[BaseException], None],
    ) -> None:
        self.name = settings.name
        self.failure: BaseException | None = None
        self._outbox = outbox
        self._settings = settings
        self._poster = Poster(settings, keys)
        self._wall = wall
        self._monotonic = monotonic
        self._failed = failed
        self._queue = Queue()
        self._seen = 0
        self._awake = threading.Event()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name=f"courier-{self.name}", daemon=True)
        self.start = self._thread.start
        self.wake = self._awake.set

    @property
    def off(self) -> str | None:
        return self._outbox.off

    def stop(self) -> None:
        self._stopping = True
        self._awake.set()

    def join(self) -> None:
        if self._thread.ident is not None:
            self._thread.join()

    def _run(self) -> None:
        try:
            while not self._stopping:
                self._awake.clear()
                self._learn()
                self._drain()
                self._sleep()
            self._outbox.flush()
        except BaseException as error:  # noqa: BLE001  # a dead worker must be seen, whatever killed it
            self.failure = error
            _log.error("courier_died", endpoint=self.name, error=repr(error))
            self._failed(error)
        finally:
            self._poster.close()

    def _learn(self) -> None:
        """Take in what was queued since the last look, with its due time on the clock that never jumps."""
        wall, monotonic = self._wall(), self._monotonic()
        while page := self._outbox.waiting(self._seen):
            for one in page:
                self._seen = one.seq
                wait = min(max(one.due - wall, 0), seconds(LONGEST_S)) if one.attempts else 0
                self._queue.add(one, monotonic + wait)
            if len(page) < PAGE:
                break

    def _drain(self) -> None:
        """Send what is due, up to a batch, and note what became of it."""
        outcomes: list[Outcome] = []
        gone = False
        while len(outcomes) < BATCH and not gone and not self._stopping:
            one = self._queue.take(self._monotonic())
            if one is None:
                break
            answer = self._poster.send(one.message or self._outbox.message(one.seq), self._wall())
            outcomes.append(self._judge(one, answer))
            gone = answer.gone
        self._outbox.settle(outcomes)
        if gone:
            self._switch_off()

    def _sleep(self) -> None:
        """Until woken or the next message is due."""
        due = self._queue.next_due()
        wait_s = None if due is None else (due - self._monotonic()) / SECOND
        if wait_s is not None and wait_s <= 0:
            return
        if not self._awake.wait(FLUSH_S if wait_s is None else min(wait_s, FLUSH_S)):
            self._outbox.flush()
            self._awake.wait(None if wait_s is None else max(wait_s - FLUSH_S, 0))

    def _judge(self, one: Pending, answer: Answer) -> Outcome:
        """What the answer means for the message; its line in the queue moves accordingly."""
        now: Instant = self._wall()
        attempts = one.attempts + 1
        if answer.taken:
            self._queue.done(one)
            return Outcome(one.seq, "sent", attempts, now, answer.words, now)
        tell = _log.bind(endpoint=self.name, alert=one.line[1], attempts=attempts, outcome=answer.words)
        wait_s = None if answer.gone else self._settings.wait_s(attempts, answer.retry_after_s)
        if wait_s is None:
            self._queue.done(one)
            if not answer.gone:
                tell.error("delivery_given_up", remedy="see to the receiver; the alert itself is kept")
            return Outcome(one.seq, "parked", attempts, now, answer.words, now)
        wait = seconds(wait_s)
        self._queue.again(one, self._monotonic() + wait)
        tell.warning("delivery_failed", retry_s=round(wait / SECOND, 1))
        return Outcome(one.seq, "waiting", attempts, now + wait, answer.words, now)

    def _switch_off(self) -> None:
        self._outbox.switch_off(GONE, self._wall())
        self._queue.clear()
        _log.error(
            "endpoint_off",
            endpoint=self.name,
            reason=GONE,
            remedy="the receiver says it is gone for good: change its address in the settings or remove it",
        )
