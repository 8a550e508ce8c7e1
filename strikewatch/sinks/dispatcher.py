"""The courier drains the outbox: a worker for each endpoint, so that a slow one holds up nobody else.

Attempts, due times and outcomes are rows, so they survive a restart. An outcome is written after the attempt,
with the next step or soon on its own, and before anything later of the same alert is sent: a crash in between repeats
a message under its name, loses none, and turns no order round.
"""

import threading
import time
from collections.abc import Callable, Sequence
from typing import Final

import structlog

from strikewatch.core.instant import SECOND
from strikewatch.errors import StoreBlocked
from strikewatch.sinks.delivery_loop import Clock, Round
from strikewatch.sinks.endpoint import Endpoint
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Message, Outbox

_log = structlog.get_logger(__name__)

FLUSH_S = 0.05
"""How long outcomes wait for a step to be written with (seconds)."""
AGAIN: Final = "nothing is lost; it is tried again"
LOOK_S = 1.0
"""How often the outbox is looked at unasked, for what another process has put there (seconds)."""

STOP_S: Final = 3.0
"""How long attempts under way may take to end when told to stop (seconds)."""


class Courier:
    """All endpoints' workers. `wake` after each step that changed alerts; look at `failure` now and then.

    `failed` is called, from the worker's thread, when one dies of something other than a failed delivery.
    """

    def __init__(
        self,
        store: Store,
        endpoints: Sequence[Endpoint],
        wall: Clock,
        monotonic: Clock,
        failed: Callable[[BaseException], None] = lambda _: None,
    ) -> None:
        self._workers = [
            Worker(one.name, Round(Outbox(store, one.name), one, wall, monotonic), monotonic, failed)
            for one in endpoints
        ]

    def start(self) -> None:
        for worker in self._workers:
            worker.start()

    def wake(self) -> None:
        """There may be something to send, or the clock has moved. Never blocks."""
        for worker in self._workers:
            worker.wake()

    def ahead(self, told: Sequence[tuple[str, Message]]) -> None:
        """Send messages to the endpoints named before the database has them. Never blocks."""
        for worker in self._workers:
            worker.ahead([message for endpoint, message in told if endpoint == worker.name])

    def stop(self) -> None:
        """Finish the attempts under way, write down what became of them, and end.

        One that takes too long is cut off: it is on no record, and made again after the next start.
        """
        for worker in self._workers:
            worker.stop()
        until = time.monotonic() + STOP_S
        for worker in self._workers:
            worker.join(max(until - time.monotonic(), 0.0))

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
        self, name: str, work: Round, monotonic: Clock, failed: Callable[[BaseException], None]
    ) -> None:
        self.name = name
        self.failure: BaseException | None = None
        self._round = work
        self._monotonic = monotonic
        self._failed = failed
        self._awake = threading.Event()
        self._stopping = self._cut = False
        self._thread = threading.Thread(target=self._run, name=f"courier-{name}", daemon=True)
        self.start = self._thread.start
        self.wake = self._awake.set

    @property
    def off(self) -> str | None:
        return self._round.outbox.off

    def ahead(self, messages: Sequence[Message]) -> None:
        self._round.ahead.add(messages)
        self._awake.set()

    def stop(self) -> None:
        self._stopping = True
        self._awake.set()

    def join(self, within_s: float) -> None:
        """Wait for its end; after that time whatever becomes of it is of no matter any more."""
        if self._thread.ident is not None:
            self._thread.join(within_s)
            if self._thread.is_alive():
                self._cut = True
                _log.info("delivery_cut_off", endpoint=self.name)

    def _run(self) -> None:
        try:
            looked = -LOOK_S
            while not self._stopping:
                self._awake.clear()
                self._round.ahead.send(lambda: self._stopping)
                try:
                    if time.monotonic() - looked >= LOOK_S:
                        looked = time.monotonic()
                        self._round.heed()
                    self._round.learn()
                    self._round.drain(lambda: self._stopping, self._awake.is_set)
                except StoreBlocked as error:
                    _log.error("courier_refused", endpoint=self.name, problem=str(error), remedy=AGAIN)
                    self._awake.wait(LOOK_S)
                    continue
                self._sleep()
            self._round.outbox.flush()
        except BaseException as error:  # noqa: BLE001  # a dead worker must be seen, whatever killed it
            if self._cut:
                return
            self.failure = error
            _log.error("courier_died", endpoint=self.name, error=repr(error))
            self._failed(error)
        finally:
            self._round.close()

    def _sleep(self) -> None:
        """Until woken, or the next message is due, or it is time to look again."""
        due = self._round.next_due()
        wait_s = LOOK_S if due is None else min((due - self._monotonic()) / SECOND, LOOK_S)
        if wait_s <= 0:
            return
        if not self._awake.wait(min(wait_s, FLUSH_S)):
            self._round.rest()
            self._awake.wait(max(wait_s - FLUSH_S, 0))
