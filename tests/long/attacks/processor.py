"""The attacked processor: restarted whenever it ends by itself, as the service manager would."""

import os
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.broker import free_port
from tests.long.attacks.honest import SITE
from tests.long.attacks.shipped import PROCESSOR_PASSWORD, ShippedBroker
from tests.service import processor

MIB = 1024 * 1024
TICKS_S = os.sysconf("SC_CLK_TCK")


def resident_mib(pid: int, *, peak: bool = False) -> float:
    """Return the resident memory, or its peak since `reset_peak`; 0 if there is no such process."""
    name = "VmHWM:" if peak else "VmRSS:"
    for line in _read(pid, "status").splitlines():
        if line.startswith(name):
            return int(line.split()[1]) * 1024 / MIB
    return 0.0


def reset_peak(pid: int) -> None:
    """Reset the peak of resident memory (proc(5), clear_refs: 5)."""
    Path(f"/proc/{pid}/clear_refs").write_text("5")


def cpu_s(pid: int) -> float:
    """Return the CPU time of all threads so far, s; 0 if there is no such process."""
    fields = _read(pid, "stat").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_S if fields else 0.0


def _read(pid: int, name: str) -> str:
    try:
        return Path(f"/proc/{pid}/{name}").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return ""


FIRST_START_S = 300.0
"""It may have to compile the detectors, on a machine that does other work."""
RESTART_S = 1.0
"""The pause before a restart."""
STARTS = 8
"""After so many it is given up, as a service manager would."""


class Processor(processor.Processor):
    """With the shipped defaults. `deaths` counts the times it ended by itself, `away` the periods without it.

    `start_cpu_s`: processor time of the last restart until the broker had let it in.
    """

    def __init__(
        self,
        folder: Path,
        broker: ShippedBroker,
        url: str,
        receivers: Sequence[str],
        settings: Mapping[str, Mapping[str, Any]],
        program: str,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "password").write_text(PROCESSOR_PASSWORD)
        (folder / "password").chmod(0o600)
        self.http_port = free_port()
        account = {"username": "processor", "password_file": str(folder / "password")}
        tables: dict[str, dict[str, Any]] = {
            "mqtt": {**account, "port": broker.processor_port},
            "http": {"enabled": True, "port": self.http_port},
            "sites.zones": {SITE: "UTC"},  # as an installation lists its own
        }
        for name, table in settings.items():
            tables[name] = {**tables.get(name, {}), **table}
        super().__init__(folder, broker, url, **tables)
        (folder / "secret").chmod(0o600)
        with (folder / "settings.toml").open("a") as file:
            for k, other in enumerate(receivers):
                file.write(f'[[webhooks]]\nname = "other{k}"\nurl = "{other}"\n')
                file.write(f'secret_file = "{folder / "secret"}"\nallow_private = ["127.0.0.0/8"]\n')
        self.deaths = 0
        self.start_cpu_s = 0.0
        self.away: list[tuple[float, float]] = []
        self._program = program
        self._wanted = False
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._supervise, daemon=True)

    def start(self, *, connected: bool = True) -> "Processor":
        before = self.log().count("broker_connected")
        command = [sys.executable, "-m", self._program, "run", "--config", str(self.folder / "settings.toml")]
        with (self.folder / "stderr").open("ab") as errors:
            self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=errors)
        self._wanted = True
        if not self._thread.is_alive() and not self._closed.is_set():
            self._thread.start()
        if connected:
            processor.until(lambda: self.log().count("broker_connected") > before, FIRST_START_S)
        return self

    def stop(self) -> int:
        """SIGTERM; the exit code. One that does not end is killed, as a service manager would."""
        self._wanted = False
        try:
            return super().stop()
        except subprocess.TimeoutExpired:
            self.kill()
            return -9

    def restart(self, connected_within_s: float = 120.0) -> float:
        """Stop and start; how long it took from the start until the broker had let it in, s."""
        began = time.monotonic()
        self.stop()
        return self.start_again(began, connected_within_s)

    def start_again(self, away_since: float, connected_within_s: float = 120.0) -> float:
        """Start after `stop`; how long it took until the broker had let it in, s."""
        before = self.log().count("broker_connected")
        started = time.monotonic()
        self.start(connected=False)
        processor.until(lambda: self.log().count("broker_connected") > before, connected_within_s)
        self.away.append((away_since, time.monotonic()))
        self.start_cpu_s = cpu_s(self.pid)
        return time.monotonic() - started

    def close(self) -> None:
        self._wanted = False
        self._closed.set()
        if self._thread.is_alive():
            self._thread.join(10)
        self.end()

    def _supervise(self) -> None:
        while not self._closed.wait(0.1):
            if not self._wanted or not self.ended or self.deaths >= STARTS:
                continue
            self.deaths += 1
            away, before = time.monotonic(), self.log().count("broker_connected")
            self._closed.wait(RESTART_S)
            if not self._wanted:
                continue
            self.start(connected=False)
            while not self.ended and self._wanted and self.log().count("broker_connected") == before:
                if self._closed.wait(0.05):
                    break
            self.away.append((away, time.monotonic()))
