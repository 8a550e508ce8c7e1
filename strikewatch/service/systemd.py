"""What systemd is told: that the processor has started, turns, and stops (see sd_notify(3))."""

import contextlib
import os
import socket
import time
from collections.abc import Callable
from typing import Final

PING_EVERY_S: Final = 1.0


class Supervisor:
    """`turned` from the worker's own thread, so that pings stop when it does. Without NOTIFY_SOCKET nothing is sent."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._pinged = -PING_EVERY_S
        self._started = False

    def turned(self) -> None:
        if not self._started:
            self._started = True
            tell("READY=1")
        if self._clock() - self._pinged >= PING_EVERY_S:
            self._pinged = self._clock()
            tell("WATCHDOG=1")

    def stopping(self) -> None:
        tell("STOPPING=1")


def tell(what: str) -> None:
    """Send a line; a supervisor that does not listen is no trouble of ours."""
    name = os.environ.get("NOTIFY_SOCKET")
    if not name:
        return
    address = "\0" + name[1:] if name.startswith("@") else name
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.setblocking(False)
        line.sendto(what.encode(), address)
