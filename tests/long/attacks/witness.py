"""Read the output of the process of honest hammers: which alerts were due, and when each came."""

import json
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable

from tests.long.attacks.shipped import PASSWORD, ShippedBroker


class Witness:
    """`url` is the foreman's receiver. Times are of the monotonic clock, s."""

    def __init__(self, broker: ShippedBroker) -> None:
        command = [sys.executable, "-m", "tests.long.attacks.honest", broker.host, str(broker.port), PASSWORD]
        pipe = subprocess.PIPE
        self._process = subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True)
        assert self._process.stdout is not None
        self.url: str = json.loads(self._process.stdout.readline())["url"]
        self._changed = threading.Condition()
        self.sent: dict[str, float] = {}
        self.came: dict[str, float] = {}
        self.events = 0
        """Events that the broker has confirmed."""
        self._others: list[tuple[float, str]] = []
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def go(self) -> None:
        """Let the hammers begin."""
        assert self._process.stdin is not None
        self._process.stdin.write("go\n")
        self._process.stdin.flush()

    def wait(self, what: Callable[[], bool], within_s: float) -> bool:
        """Wait for something that depends on what came; whether it came true."""
        with self._changed:
            return self._changed.wait_for(what, within_s)

    def due(self, since: float, upto: float) -> list[str]:
        """The alerts whose row was published in [since, upto)."""
        with self._changed:
            return [name for name, at in self.sent.items() if since <= at < upto]

    def all_came(self, since: float, upto: float) -> bool:
        return all(name in self.came for name, at in list(self.sent.items()) if since <= at < upto)

    def others(self, since: float) -> Counter[str]:
        """Alerts about other hammers, or about the processor itself."""
        with self._changed:
            return Counter(what for at, what in self._others if at >= since)

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._thread.join(5)
        assert self._process.stdout is not None
        self._process.stdout.close()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            reported = json.loads(line)
            with self._changed:
                if "sent" in reported:
                    self.sent[reported["sent"]] = reported["at"]
                elif "came" in reported:
                    self.came.setdefault(reported["came"], reported["at"])
                elif "event" in reported:
                    self.events += 1
                elif "other" in reported:
                    self._others.append((time.monotonic(), reported["other"]))
                self._changed.notify_all()
