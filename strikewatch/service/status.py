"""What the running processor reports of itself: to systemd and to the log."""

import contextlib
import os
import socket
import time
from collections.abc import Callable, Mapping
from typing import Final, Protocol

import structlog

from strikewatch.core.instant import SECOND, Instant
from strikewatch.sources.mapping import SourceHealth
from strikewatch.sources.mqtt import CONNECTING, Status

_log: Final = structlog.get_logger("live")

PING_EVERY_S: Final = 1.0
REPORT_EVERY_NS: Final = 60 * SECOND
"""How often a persistent problem is logged again."""


class SystemdNotifier:
    """Call `alive` from the worker's thread, so that pings stop if it hangs. Sends nothing without NOTIFY_SOCKET."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._pinged = -PING_EVERY_S
        self._started = False

    def alive(self) -> None:
        if not self._started:
            self._started = True
            notify("READY=1")
        if self._clock() - self._pinged >= PING_EVERY_S:
            self._pinged = self._clock()
            notify("WATCHDOG=1")

    def stopping(self) -> None:
        notify("STOPPING=1")


def notify(what: str) -> None:
    """Send a line to systemd; ignore errors."""
    name = os.environ.get("NOTIFY_SOCKET")
    if not name:
        return
    address = "\0" + name[1:] if name.startswith("@") else name
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.setblocking(False)
        line.sendto(what.encode(), address)


class Counted(Protocol):
    """What takes the broker's messages: how many, which were rejected, and what was heard of each source."""

    @property
    def messages(self) -> int: ...
    @property
    def rejected(self) -> Mapping[str, int]: ...
    @property
    def source_health(self) -> tuple[SourceHealth, ...]: ...


class StatusLog:
    """Logs the state of the broker and the senders: at each change, and again while a problem persists."""

    def __init__(self, monotonic: Callable[[], Instant]) -> None:
        self._monotonic = monotonic
        self._last = CONNECTING
        self._connected = False
        self._takeovers = 0
        self._refused: set[str] = set()
        self._without_values: set[str] = set()
        self._reported = self._last_message = monotonic()
        self._rejected = self._messages = 0

    def update(self, status: Status, worker: Counted) -> None:
        now = self._monotonic()
        if worker.messages > self._messages:
            self._messages, self._last_message = worker.messages, now
        if status.connected != self._connected or (not status.connected and status.reason != self._last):
            self._connected, self._last = status.connected, status.reason
            if status.connected:
                _log.info("broker_connected", resumed=status.resumed)
                self._last_message = now
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
        for source in worker.source_health:
            if source.has_no_values and source.name not in self._without_values:
                self._without_values.add(source.name)
                passed = [each.name for each in source.passed_over if each.name][:5]
                _log.warning(
                    "source_without_values",
                    source=source.name,
                    messages=source.messages,
                    passed_over=passed,
                    rejected={reason: each.count for reason, each in source.rejects.items()},
                    remedy="compare the names and paths of its table with what the gateway sends",
                )
        if now - self._reported < REPORT_EVERY_NS:
            return
        self._reported = now
        if not status.connected:
            _log.error(
                "broker_unreachable", problem=status.reason, remedy="strikewatch check looks for the cause"
            )
        rejected = sum(worker.rejected.values())
        if rejected > self._rejected:
            _log.warning(
                "payloads_rejected", since_last=rejected - self._rejected, in_all=dict(worker.rejected)
            )
            self._rejected = rejected
        if status.connected and now - self._last_message >= REPORT_EVERY_NS:
            _log.warning("no_messages", remedy="see whether gateways publish, and the prefix and access list")
