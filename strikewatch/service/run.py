"""The live processor: a broker's messages to alerts in the log and at the webhooks, until told to stop.

Threads: the network's (`Subscriber`), the worker's (this one), the recorder's, one a webhook endpoint, the HTTP
interface's. Each is watched;
if one dies the process ends with an error rather than go on half alive.
"""

import math
import signal
import sys
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any, Final

import structlog

from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import BrokerError, StrikewatchError
from strikewatch.service.endpoints import endpoints, open_store
from strikewatch.service.housekeeping import Upkeep
from strikewatch.service.instrumented_source import Metered
from strikewatch.service.precompile import warm
from strikewatch.service.systemd import Supervisor
from strikewatch.service.worker import Worker
from strikewatch.settings.tree import Settings
from strikewatch.sinks import log
from strikewatch.sinks.dispatcher import Courier
from strikewatch.sinks.heartbeat import Heartbeat
from strikewatch.sources.mqtt import CONNECTING, Status, Subscriber
from strikewatch.web.live.worker_stats import WorkerStats

_log: Final = structlog.get_logger("live")

TURN_S: Final = 0.2
ALIVE_EVERY_S: Final = 1.0
FRESH_S: Final = 10.0
"""A step longer ago than this is no sign of health."""
SAY_EVERY_NS: Final = 60 * SECOND
"""Standing trouble is said again at most this often."""
SWITCH_S: Final = 0.0005
"""How long a thread computes while another waits to. With Python's 5 ms a courier that has to wait for its turn after
each read and write takes a tenth of a second for a POST while a backlog is worked through."""


def run(settings: Settings) -> int:
    """Run until SIGTERM or SIGINT; 0 after a clean stop. Raises StrikewatchError when something has died."""
    log.set_up(settings.log)
    sys.setswitchinterval(SWITCH_S)
    live = Live(settings)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: live.stop())
    live.run()
    return 0


class Live:
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
        self._supervisor = Supervisor()
        self.ready = threading.Event()
        """Set once connected for the first time."""

    def stop(self) -> None:
        self._stopping.set()

    @property
    def stopped(self) -> bool:
        """Whether it has been told to stop, or has died."""
        return self._stopping.is_set()

    def run(self) -> None:
        """Raises StrikewatchError for settings, store or broker that cannot be used, or a thread that died."""
        settings = self._settings
        warm(_log.info)
        store = open_store(settings)
        try:
            courier = Courier(store, endpoints(settings, store), self._wall, self._monotonic, self._fail)
            upkeep = Upkeep(store, settings, self._wall, self._monotonic, self._stopping.wait, self._fail)
            subscriber = Subscriber(settings.mqtt, self._wall)
            worker = Worker(
                settings,
                store,
                Metered(subscriber, self._stats, self._wall),
                wall=self._wall,
                monotonic=self._monotonic,
                told=courier.wake,
                wait=self._wait,
                ahead=courier.ahead,
            )
            heart = self._heart(
                lambda: {
                    "messages": worker.messages,
                    "endpoints_off": sorted(courier.off),
                    "trouble": store.trouble,
                }
            )
            server = None
            if settings.http.enabled:
                from strikewatch.service.http import (
                    open_live_state,
                    open_server,
                )  # costs nothing where it is off

                live_state = open_live_state(settings, worker)
                worker.shown = live_state.hand_over
                server = open_server(
                    settings,
                    store,
                    self._stats,
                    subscriber.status,
                    lambda: worker.messages,
                    self._wall,
                    self._fail,
                    live_state,
                )
            subscriber.start()
            courier.start()
            upkeep.start()
            if heart is not None:
                heart.start()
            if server is not None:
                server.start()
            try:
                self._work(worker, subscriber)
            finally:
                self._stopping.set()
                self._supervisor.stopping()
                if server is not None:
                    server.stop()
                subscriber.stop()
                courier.stop()
                if heart is not None:
                    heart.join()
                upkeep.join()
                if self._failure is None:
                    upkeep.flush()
        finally:
            store.close()
        if self._failure is not None:
            raise StrikewatchError(f"stopped, since a part of it died: {self._failure}") from self._failure
        _log.info("stopped", messages=worker.messages, rejected=dict(worker.rejected))

    def _work(self, worker: Worker, subscriber: Subscriber) -> None:
        watch = _Watch(self._monotonic)
        while not self._stopping.is_set():
            try:
                worker.turn(TURN_S)
            except BrokerError:
                watch.look(subscriber.status(), worker)
                raise
            self._stats.record_turn()
            self._supervisor.turned()
            status = subscriber.status()
            if status.connected:
                self.ready.set()
                self._fresh_s = time.monotonic()
                self._touch()
            watch.look(status, worker)

    def _wait(self, timeout_s: float) -> bool:
        """The worker waits for a database that refuses: it is alive, and killing it would mend nothing."""
        self._stats.record_blocked()
        self._supervisor.turned()
        return self._stopping.wait(timeout_s)

    def _heart(self, state: Callable[[], Mapping[str, Any]]) -> Heartbeat | None:
        """Beats while the last step with the broker there is fresh; None without a heartbeat in the settings."""
        if self._settings.heartbeat is None:
            return None
        return Heartbeat(
            self._settings.heartbeat,
            lambda: state() if time.monotonic() - self._fresh_s < FRESH_S else None,
            self._wall,
            self._stopping.wait,
            self._fail,
        )

    def _touch(self) -> None:
        """Show a health check that steps are made and the broker is there."""
        path = self._settings.alive_file
        now = time.monotonic()
        if path is not None and now - self._touched_s >= ALIVE_EVERY_S:
            self._touched_s = now
            path.touch()

    def _fail(self, error: BaseException) -> None:
        self._failure = error
        self._stopping.set()


class _Watch:
    """Says how the broker and the senders are doing: at each change, and again while trouble stands."""

    def __init__(self, monotonic: Callable[[], Instant]) -> None:
        self._monotonic = monotonic
        self._last = CONNECTING
        self._connected = False
        self._takeovers = 0
        self._refused: set[str] = set()
        self._said = self._heard = monotonic()
        self._rejected = self._messages = 0

    def look(self, status: Status, worker: Worker) -> None:
        now = self._monotonic()
        if worker.messages > self._messages:
            self._messages, self._heard = worker.messages, now
        if status.connected != self._connected or (not status.connected and status.reason != self._last):
            self._connected, self._last = status.connected, status.reason
            if status.connected:
                _log.info("broker_connected", resumed=status.resumed)
                self._heard = now
            elif not status.takeovers:
                _log.warning("broker_lost", problem=status.reason)
        if status.takeovers > self._takeovers:  # though the session may be back by now
            _log.error("broker_taken_over", problem=status.reason, takeovers=status.takeovers)
        self._takeovers = status.takeovers
        for name, grant in status.grants.items():
            if not grant.startswith("Granted") and name not in self._refused:
                self._refused.add(name)
                _log.error(
                    "subscription_refused", filter=name, problem=grant, remedy="see the broker's access list"
                )
        if now - self._said < SAY_EVERY_NS:
            return
        self._said = now
        if not status.connected:
            _log.error("broker_away", problem=status.reason, remedy="strikewatch check looks for the cause")
        rejected = sum(worker.rejected.values())
        if rejected > self._rejected:
            _log.warning(
                "payloads_rejected", since_last=rejected - self._rejected, in_all=dict(worker.rejected)
            )
            self._rejected = rejected
        if status.connected and now - self._heard >= SAY_EVERY_NS:
            _log.warning(
                "nothing_heard", remedy="see whether gateways publish, and the prefix and access list"
            )
