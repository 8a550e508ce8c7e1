"""Notify systemd that the processor has started, is alive, and stops (see sd_notify(3))."""

import contextlib
import os
import socket
import time
from collections.abc import Callable
from typing import Final

PING_EVERY_S: Final = 1.0


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
