"""The dispatcher empties the outbox with one thread for each endpoint, so that a slow endpoint delays no other.

Attempts, due times and outcomes are rows, so they survive a restart. An outcome is written after the attempt, with the
next step or soon on its own, and before a later message of the same alert is sent. A crash in between repeats a message
under its name; it never loses one or changes their order.
"""

import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Final

import structlog

from strikewatch.core.instant import SECOND
from strikewatch.errors import StoreBlocked
from strikewatch.sinks import Endpoint
from strikewatch.sinks.delivery_loop import Clock, DeliveryLoop
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Message, Outbox

_log = structlog.get_logger(__name__)

FLUSH_S = 0.05
"""How long outcomes wait to be written with the next step (seconds)."""
RETRY_NOTE: Final = "nothing is lost; this is retried"
POLL_S = 1.0
"""How often the outbox is polled for messages that another process queued (seconds)."""

STOP_S: Final = 3.0
"""How long running attempts may take to end at a stop (seconds)."""


class Dispatcher:
    """The delivery threads of all endpoints. Call `wake` after each step that changed alerts.

    `failed` is called, from the thread, if one dies of anything other than a failed delivery.
    """

    def __init__(
        self,
        store: Store,
        endpoints: Sequence[Endpoint],
        wall: Clock,
        monotonic: Clock,
        failed: Callable[[BaseException], None] = lambda _: None,
    ) -> None:
        self._store = store
        self._wall = wall
        self._monotonic = monotonic
        self._failed = failed
        self._started = False
        self._lock = threading.Lock()
        self._workers = [self._worker(endpoint) for endpoint in endpoints]
        """Replaced as a whole, never changed: other threads go through it."""

    def start(self) -> None:
        with self._lock:
            self._started = True
            workers = self._workers
        for worker in workers:
            worker.start()

    def add(self, endpoint: Endpoint) -> None:
        """Deliver to one more endpoint from now on; the store knows it already."""
        worker = self._worker(endpoint)
        with self._lock:
            self._workers = [*self._workers, worker]
            started = self._started
        if started:
            worker.start()

    def remove(self, name: str) -> None:
        """Deliver to an endpoint no more; a running attempt ends by itself."""
        with self._lock:
            removed = [worker for worker in self._workers if worker.name == name]
            self._workers = [worker for worker in self._workers if worker.name != name]
        for worker in removed:
            worker.stop()

    def _worker(self, endpoint: Endpoint) -> "Worker":
        outbox = Outbox(self._store, endpoint.name)
        loop = DeliveryLoop(outbox, endpoint, self._wall, self._monotonic)
        return Worker(endpoint.name, loop, self._monotonic, self._failed)

    def wake(self) -> None:
        """Check for messages to send now; also after the clock has moved. Never blocks."""
        for worker in self._workers:
            worker.wake()
        time.sleep(0)  # lets them run at once: else each waits for its turn at the interpreter

    def send_urgent(self, messages: Sequence[tuple[str, Message]]) -> None:
        """Send (endpoint, message) before the database has stored them. Never blocks."""
        for worker in self._workers:
            worker.send_urgent([message for name, message in messages if name == worker.name])

    def stop(self) -> None:
        """Finish the running attempts, record their outcomes, and end.

        An attempt that takes too long is abandoned without a record, and repeated after the next start.
        """
        for worker in self._workers:
            worker.stop()
        until = time.monotonic() + STOP_S
        for worker in self._workers:
            worker.join(max(until - time.monotonic(), 0.0))

    @property
    def failure(self) -> BaseException | None:
        """Return the error that ended a thread; None while all are alive."""
        return next((worker.failure for worker in self._workers if worker.failure), None)

    @property
    def switched_off(self) -> dict[str, str]:
        """Return the reason by endpoint that is switched off."""
        return {worker.name: worker.off_reason for worker in self._workers if worker.off_reason}


class Worker:
    """The thread that serves one endpoint."""

    def __init__(
        self, name: str, loop: DeliveryLoop, monotonic: Clock, failed: Callable[[BaseException], None]
    ) -> None:
        self.name = name
        self.failure: BaseException | None = None
        self._loop = loop
        self._monotonic = monotonic
        self._failed = failed
        self._awake = threading.Event()
        self._stopping = self._abandoned = False
        self._thread = threading.Thread(target=self._run, name=f"dispatcher-{name}", daemon=True)
        self.start = self._thread.start
        self.wake = self._awake.set

    @property
    def off_reason(self) -> str | None:
        return self._loop.outbox.off_reason

    def send_urgent(self, messages: Sequence[Message]) -> None:
        self._loop.urgent.add(messages)
        self._awake.set()

    def stop(self) -> None:
        self._stopping = True
        self._awake.set()

    def join(self, within_s: float) -> None:
        """Wait for the thread to end; after `within_s`, ignore what becomes of it."""
        if self._thread.ident is not None:
            self._thread.join(within_s)
            if self._thread.is_alive():
                self._abandoned = True
                _log.info("delivery_abandoned", endpoint=self.name)

    def _run(self) -> None:
        try:
            polled = -POLL_S
            while not self._stopping:
                self._awake.clear()
                self._loop.urgent.send(lambda: self._stopping)
                try:
                    if time.monotonic() - polled >= POLL_S:
                        polled = time.monotonic()
                        self._loop.refresh()
                    self._loop.load()
                    self._loop.send_due(lambda: self._stopping, self._awake.is_set)
                except StoreBlocked as error:
                    _log.error(
                        "dispatcher_blocked", endpoint=self.name, problem=str(error), remedy=RETRY_NOTE
                    )
                    self._awake.wait(POLL_S)
                    continue
                self._sleep()
            with suppress(StoreBlocked):
                self._loop.outbox.flush()
        except BaseException as error:  # noqa: BLE001  # any error that ends the thread must be reported
            if self._abandoned:
                return
            self.failure = error
            _log.error("dispatcher_died", endpoint=self.name, error=repr(error))
            self._failed(error)
        finally:
            self._loop.close()

    def _sleep(self) -> None:
        """Sleep until woken, the next message is due, or it is time to poll."""
        due = self._loop.next_due()
        wait_s = POLL_S if due is None else min((due - self._monotonic()) / SECOND, POLL_S)
        if wait_s <= 0:
            return
        if not self._awake.wait(min(wait_s, FLUSH_S)):
            self._loop.idle()
            self._awake.wait(max(wait_s - FLUSH_S, 0))
