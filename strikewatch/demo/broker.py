"""A real MQTT broker on loopback for the demo: mosquitto if installed, otherwise the one from pip.

It runs as a process in its own session, so that Ctrl-C in the terminal does not stop it before its clients, and ends
with the context. It is open to everyone on this machine: for the demo and tests only. Run as a program, this module is
that process: it runs a broker until standard input closes, so that it also ends if its parent is killed.
"""

import contextlib
import logging
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final, Literal

from strikewatch.errors import BrokerError
from strikewatch.programs import find_program

Kind = Literal["mosquitto", "iotcore"]
TRIES: Final = 3
START_S: Final = 10.0
CHILD: Final = (sys.executable, "-m", "strikewatch.demo.broker")
STOP_S: Final = 5.0
MAX_PAYLOAD_BYTES: Final = 1_048_576
"""Instead of iotcore's 20,480, beyond which it silently drops a gateway's backlog."""


class Broker:
    """Context manager: listens on `host`:`port` while it is open; `name` is the kind of broker.

    `kind` None: mosquitto if installed. Raises BrokerError, in the broker's own words, if it does not start.
    """

    host: Final = "127.0.0.1"

    def __init__(self, kind: Kind | None = None) -> None:
        self.name: Kind = kind or ("mosquitto" if find_program("mosquitto") else "iotcore")
        self.port = 0
        self._process: subprocess.Popen[bytes] | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    def __enter__(self) -> "Broker":
        self._folder = tempfile.TemporaryDirectory(prefix="strikewatch-broker-")
        for _ in range(TRIES):
            # Another process may take the port before the broker binds it, so several attempts are made.
            self.port = free_port()
            if self._start(Path(self._folder.name)):
                return self
        log = (Path(self._folder.name) / "log").read_text(errors="replace").strip()
        self.close()
        raise BrokerError(f"{self.name} does not start: {log or 'no output'}")

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop the broker. Idempotent."""
        if self._process is not None:
            _end(self._process)
            self._process = None
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def _start(self, folder: Path) -> bool:
        """Start the broker; return whether it listens. If not, nothing is left running."""
        with (folder / "log").open("wb") as log:
            self._process = process = subprocess.Popen(
                self._command(folder),
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
        deadline = time.monotonic() + START_S
        while process.poll() is None and time.monotonic() < deadline:
            with contextlib.suppress(OSError), socket.create_connection((self.host, self.port), timeout=1.0):
                return True
            time.sleep(0.02)
        _end(process)
        self._process = None
        return False

    def _command(self, folder: Path) -> list[str]:
        if self.name == "iotcore":
            return [*CHILD, self.name, self.host, str(self.port)]
        lines = (
            f"listener {self.port} {self.host}",
            "allow_anonymous true",
            "persistence false",
            # For a client that is offline; not 0, whose meaning differs between versions.
            "max_queued_messages 1000000",
            "set_tcp_nodelay true",
        )
        config = folder / "mosquitto.conf"
        config.write_text("\n".join(lines) + "\n")
        return [*CHILD, self.name, find_program("mosquitto") or "mosquitto", str(config)]


def _end(process: subprocess.Popen[bytes]) -> None:
    """Stop the process by closing its input; kill it and its children only if that fails."""
    if process.stdin is not None:
        process.stdin.close()
    try:
        process.wait(STOP_S)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def free_port(wanted: int = 0) -> int:
    """Return a free TCP port of this machine: `wanted` if it is free."""
    for port in (wanted, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            with contextlib.suppress(OSError):
                probe.bind((Broker.host, port))
                free: int = probe.getsockname()[1]
                return free
    raise BrokerError(f"no port of {Broker.host} is free")


def _when_input_closes(end: Callable[[], object]) -> None:
    """Call `end` once standard input is closed, as it is when the parent process ends."""

    def wait_for_end_of_input() -> None:
        sys.stdin.buffer.read()
        end()

    threading.Thread(target=wait_for_end_of_input, daemon=True).start()


def _mosquitto(program: str, config: str) -> int:
    """Run an installed mosquitto with a settings file."""
    process = subprocess.Popen([program, "-c", config], stdin=subprocess.DEVNULL)
    _when_input_closes(process.terminate)
    return process.wait()


def _iotcore(host: str, port: str) -> int:
    """Run the broker from pip in this process."""
    from iotcore import IotCoreBroker

    # It logs its spans as errors, one per packet.
    logging.getLogger("rumqttd").setLevel(logging.CRITICAL)
    # It can only be stopped by ending its process.
    _when_input_closes(lambda: os._exit(0))
    IotCoreBroker(listen=host, port=int(port), max_payload_size=MAX_PAYLOAD_BYTES).run_forever()
    return 0


if __name__ == "__main__":
    sys.exit({"mosquitto": _mosquitto, "iotcore": _iotcore}[sys.argv[1]](*sys.argv[2:4]))
