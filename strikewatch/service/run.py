"""The live processor: turns a broker's messages into alerts in the log and at the endpoints, until it is stopped.

Threads: network (`Subscriber`), worker (the calling thread), recorder, one for each endpoint, and the HTTP interface.
Each is supervised: if one dies, the process ends with an error instead of running incompletely.
"""

import ctypes
import gc
import math
import signal
import sys
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import structlog

from strikewatch.core.instant import Instant, seconds
from strikewatch.errors import BrokerError, StoreError, StrikewatchError, Unstorable
from strikewatch.service.broker_session import SessionWatch
from strikewatch.service.endpoints import endpoints, open_store
from strikewatch.service.housekeeping import Housekeeping
from strikewatch.service.precompile import precompile
from strikewatch.service.status import StatusLog, SystemdNotifier
from strikewatch.service.step_journal import StepJournal
from strikewatch.service.worker import Worker
from strikewatch.settings.tree import Settings
from strikewatch.sinks import log
from strikewatch.sinks.dispatcher import Dispatcher
from strikewatch.sinks.heartbeat import Heartbeat
from strikewatch.sources.decode import topic
from strikewatch.sources.mapping import load_sources
from strikewatch.sources.mqtt import IN_USE, Subscriber
from strikewatch.storage.commit.broker_session import load_session, save_filters, save_held
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines.disk import private_umask
from strikewatch.web.live.worker_stats import WorkerStats

_log: Final = structlog.get_logger("live")

STEP_TIMEOUT_S: Final = 0.2
ALIVE_EVERY_S: Final = 1.0
FRESH_S: Final = 10.0
"""The processor counts as healthy for this long after its last step."""
SWITCH_S: Final = 0.0005
"""Python's thread switch interval. With the default of 5 ms a POST takes a tenth of a second during a backlog, since
the dispatcher waits for its turn after each read and write."""


LARGE_BLOCK_BYTES: Final = 256 * 1024
"""Larger than any block of an ordinary step, which would otherwise cost page faults."""
KEPT_FREE_BYTES: Final = 8 * 1024 * 1024
"""So much free memory is kept at the end of the heap for the next step."""
ARENAS: Final = 2
"""Heaps that all threads share: each keeps its own free memory."""
_M_TRIM_THRESHOLD: Final = -1
_M_MMAP_THRESHOLD: Final = -3
_M_ARENA_MAX: Final = -8


def run(settings: Settings) -> int:
    """Run until SIGTERM or SIGINT; return 0 after a clean stop. Raises StrikewatchError if a thread has died."""
    with private_umask():
        log.set_up(settings.log)
        sys.setswitchinterval(SWITCH_S)
        return_freed_memory()
        live = Processor(settings)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: live.stop())
        live.run()
    return 0


def return_freed_memory() -> None:
    """Have the C library return large blocks to the system when they are freed, and no longer keep them.

    glibc otherwise raises its threshold with the largest block freed (mallopt(3), M_MMAP_THRESHOLD), and after one
    large message it keeps some 30 MiB for good, and more for each thread. Other C libraries are left alone.
    """
    if sys.platform != "linux":
        return
    library = ctypes.CDLL(None)
    if hasattr(library, "gnu_get_libc_version"):
        library.mallopt(_M_MMAP_THRESHOLD, LARGE_BLOCK_BYTES)
        library.mallopt(_M_TRIM_THRESHOLD, KEPT_FREE_BYTES)
        library.mallopt(_M_ARENA_MAX, ARENAS)


class Processor:
    """The processor. `run` blocks until `stop`, which any thread or signal handler may call."""

    def __init__(
        self,
        settings: Settings,
        wall: Callable[[], Instant] = time.time_ns,
        monotonic: Callable[[], Instant] = time.monotonic_ns,
    ) -> None:
        self._settings = settings
        self._wall = wall
        self._monotonic = monotonic
        self._stopping = threading.Event()
        self._failure: BaseException | None = None
        self._touched_s = -ALIVE_EVERY_S
        self._fresh_s = -math.inf
        self._stats = WorkerStats()
        self._supervisor = SystemdNotifier()
        self.ready = threading.Event()
        """Set when the broker is connected for the first time."""

    def stop(self) -> None:
        self._stopping.set()

    @property
    def stopped(self) -> bool:
        """Return whether the processor was stopped, or has died."""
        return self._stopping.is_set()

    def run(self) -> None:
        """Run until stopped. Raises StrikewatchError for unusable settings, store or broker, or if a thread died."""
        settings = self._settings
        precompile(_log.info, self._stopping.is_set)
        if self.stopped:
            return
        store = open_store(settings)
        try:
            dispatcher = Dispatcher(
                store, endpoints(settings, store), self._wall, self._monotonic, self._fail
            )
            housekeeping = Housekeeping(
                store, settings, self._wall, self._monotonic, self._stopping.wait, self._fail
            )
            session = load_session(store)
            sources = load_sources(settings.sources_file)
            save_filters(store, {*session.filters, *sources.filters, *topic.filters(settings.mqtt.prefix)})
            subscriber = Subscriber(
                settings.mqtt.with_client_id(session.client_id),
                self._wall,
                filters=sources.filters,
                machine_of=lambda name: sources.machine(name, settings.mqtt.prefix),
                unwanted=session.filters,
            )
            journal = StepJournal(_journal_path(settings), version("strikewatch"))
            watch = SessionWatch(subscriber.status, session.held, seconds(settings.mqtt.dead_after_s))
            worker = Worker(
                settings,
                store,
                subscriber,
                wall=self._wall,
                monotonic=self._monotonic,
                alerts_changed=dispatcher.wake,
                wait=self._wait,
                send_urgent=dispatcher.send_urgent,
                session=watch,
                journal=journal,
                sources=sources,
                publish=subscriber.publish,
                stats=self._stats,
            )
            heartbeat = self._heartbeat(
                lambda: {
                    "messages": worker.messages,
                    "endpoints_off": sorted(dispatcher.switched_off),
                    "trouble": store.disk_warning or (IN_USE if subscriber.status().in_use else None),
                }
            )
            http_server = None
            if settings.http.enabled:
                from strikewatch.service.http import (  # not imported if the interface is off
                    open_http_server,
                    open_live_state,
                )

                push = None
                if settings.push.enabled:
                    from strikewatch.service.push import PushEndpoints

                    push = PushEndpoints(settings, store, dispatcher, self._wall)
                    push.restore()
                live_state = open_live_state(settings, worker)
                worker.on_step = live_state.enqueue_step
                try:
                    http_server = open_http_server(
                        settings,
                        store,
                        self._stats,
                        subscriber.status,
                        lambda: worker.messages,
                        self._wall,
                        self._fail,
                        live_state,
                        push,
                        lambda: worker.source_health,
                    )
                except StrikewatchError:
                    subscriber.stop()  # its sockets are open before it starts
                    raise
            subscriber.start()
            dispatcher.start()
            housekeeping.start()
            if heartbeat is not None:
                heartbeat.start()
            if http_server is not None:
                http_server.start()
            try:
                self._run_worker(worker, subscriber, store)
                journal.close()
            except Unstorable:  # counts against the messages under way
                raise
            except StrikewatchError:  # not caused by them
                journal.close()
                raise
            finally:
                self._stopping.set()
                self._supervisor.stopping()
                if http_server is not None:
                    http_server.stop()
                subscriber.stop()
                dispatcher.stop()
                if heartbeat is not None:
                    heartbeat.join()
                housekeeping.join()
                if self._failure is None:
                    housekeeping.flush()
                if watch.held is not None:
                    with suppress(StoreError):
                        save_held(store, watch.held)
        finally:
            store.close()
        if self._failure is not None:
            raise StrikewatchError(f"stopped, since a thread died: {self._failure}") from self._failure
        _log.info("stopped", messages=worker.messages, rejected=dict(worker.rejected))

    def _run_worker(self, worker: Worker, subscriber: Subscriber, store: Store) -> None:
        watch = StatusLog(self._monotonic)
        filters_saved = False
        # What was made so far stays: a full garbage collection of it stops all threads for a tenth of a second.
        gc.freeze()
        while not self._stopping.is_set():
            try:
                worker.turn(STEP_TIMEOUT_S)
            except BrokerError:
                watch.update(subscriber.status(), worker)
                raise
            self._stats.record_turn()
            self._supervisor.alive()
            status = subscriber.status()
            if status.connected:
                self.ready.set()
                self._fresh_s = time.monotonic()
                self._touch_alive_file()
            if status.grants and not filters_saved:  # the broker has unsubscribed the others
                with suppress(StoreError):
                    save_filters(store, subscriber.filters)
                    filters_saved = True
            watch.update(status, worker)

    def _wait(self, timeout_s: float) -> bool:
        """Wait while the database refuses; report the worker as alive, since a restart would not help."""
        self._stats.record_blocked()
        self._supervisor.alive()
        return self._stopping.wait(timeout_s)

    def _heartbeat(self, state: Callable[[], Mapping[str, Any]]) -> Heartbeat | None:
        """Return the heartbeat, which is sent while the last connected step is recent; None if it is not set up."""
        if self._settings.heartbeat is None:
            return None
        return Heartbeat(
            self._settings.heartbeat,
            lambda: state() if time.monotonic() - self._fresh_s < FRESH_S else None,
            self._wall,
            self._stopping.wait,
            self._fail,
        )

    def _touch_alive_file(self) -> None:
        """Touch the alive file for a health check: steps are made and the broker is connected."""
        path = self._settings.alive_file
        now = time.monotonic()
        if path is not None and now - self._touched_s >= ALIVE_EVERY_S:
            self._touched_s = now
            path.touch()

    def _fail(self, error: BaseException) -> None:
        self._failure = error
        self._stopping.set()


def _journal_path(settings: Settings) -> Path:
    """Return where the step journal is: beside the database file, or with PostgreSQL in the folder of recordings."""
    if settings.store.url is None:
        return settings.store.path.with_name(f"{settings.store.path.name}-step")
    return settings.recording.folder / ".step"
