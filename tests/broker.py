"""A real MQTT broker for tests: mosquitto on a free loopback port, or the one that pip installs.

    with Broker(tmp_path) as broker:             # open to all, persistent
        client.connect(broker.host, broker.port)
        broker.restart()                         # a clean stop and start on the same port, sessions kept
        broker.kill()                            # kill -9; what the last autosave did not hold is gone
        broker.start()

Without mosquitto, a broker of which nothing but the defaults is asked is iotcore; what that cannot do skips the test
(`tests.programs`).

`users={"name": "password"}` shuts out everyone else, `acl="..."` is the text of an access list and
`tls=Tls(...)` (paths of PEM files; `tests.certificates` makes them) makes it speak TLS only. The broker dies
with the thread that started it.
"""

import contextlib
import itertools
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Final

from strikewatch.programs import find_program
from tests.programs import need_program, skip
from tests.waiting import LIMIT_S

PORTS: Final = range(14_000, 30_000)
WORKERS: Final = 8


@dataclass(frozen=True)
class Tls:
    """PEM files of the server; with `require_certificate` a client must show one that `ca_file` signed."""

    ca_file: Path
    cert_file: Path
    key_file: Path
    require_certificate: bool = False


def granting(folder: Path, *filters: str) -> str:
    """Lines of configuration by which the broker grants these subscriptions and denies all others when asked for.

    What `acl` denies it grants all the same, and then lets nothing through.
    """
    acls = [{"acltype": "subscribePattern", "topic": one, "allow": True} for one in filters]
    access = ("publishClientSend", "publishClientReceive", "unsubscribe")
    rules = {
        "defaultACLAccess": {**dict.fromkeys(access, True), "subscribe": False},
        "groups": [{"groupname": "all", "roles": [{"rolename": "own"}]}],
        "roles": [{"rolename": "own", "acls": acls}],
        "anonymousGroup": "all",
    }
    path = folder / "rules.json"
    path.write_text(json.dumps(rules))
    (plugin,) = Path("/usr/lib").glob("*/mosquitto_dynamic_security.so")
    return f"plugin {plugin}\nplugin_opt_config_file {path}"


def _ports() -> Iterator[int]:
    """Yield ports below those that the system gives to outgoing connections, another range for each test process.

    A port that the system chose could be taken by any connection between its choice and its use, or between the
    stop and the restart of a server.
    """
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
    first = PORTS.start + (worker % WORKERS) * (len(PORTS) // WORKERS)
    own = range(first, first + len(PORTS) // WORKERS)
    start = os.getpid() % len(own)
    yield from itertools.cycle((*own[start:], *own[:start]))


_PORTS = _ports()


def free_port() -> int:
    """Return a TCP port that nothing on 127.0.0.1 listens on, and that this process has not returned of late."""
    for port in itertools.islice(_PORTS, len(PORTS)):
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(("127.0.0.1", port))
            return port
    raise RuntimeError(f"no port of {PORTS} is free")


class Broker:
    """One broker. `extra` are further lines of mosquitto's configuration, `conf` stands in place of all of them.

    `version` is the newest version of MQTT that it speaks.
    """

    host = "127.0.0.1"

    def __init__(
        self,
        folder: Path,
        *,
        port: int | None = None,
        users: dict[str, str] | None = None,
        acl: str | None = None,
        tls: Tls | None = None,
        persistence: bool = True,
        max_inflight: int = 500,
        max_queued: int = 1_000_000,
        extra: str = "",
        conf: str | None = None,
    ) -> None:
        needed = any((users, acl, tls, extra, conf, os.environ.get("STRIKEWATCH_ALL") == "1"))
        program = need_program("mosquitto") if needed else find_program("mosquitto")
        self.kind = "mosquitto" if program else "iotcore"
        self.version = "5" if program else "3.1.1"
        self._keeps_sessions = persistence
        self._started = False
        self.folder = folder / "broker"
        self.folder.mkdir(parents=True, exist_ok=True)
        self.port = free_port() if port is None else port
        self.tls = tls
        self._process: subprocess.Popen[bytes] | None = None
        self._log = self.folder / "mosquitto.log"
        self._conf = self.folder / "mosquitto.conf"
        lines = [
            f"listener {self.port} {self.host}",
            "user root",  # otherwise a broker started by root gives up its rights to `folder`
            f"persistence {str(persistence).lower()}",
            f"persistence_location {self.folder}/",
            "autosave_interval 1",
            f"max_inflight_messages {max_inflight}",
            f"max_queued_messages {max_queued}",
            "set_tcp_nodelay true",
            "log_type all",
            "log_dest stderr",
            f"allow_anonymous {str(users is None).lower()}",
        ]
        if users is not None:
            lines.append(f"password_file {self._password_file(users)}")
        if acl is not None:
            path = self.folder / "acl"
            path.write_text(acl)
            path.chmod(0o600)
            lines.append(f"acl_file {path}")
        if tls is not None:
            lines += [f"cafile {tls.ca_file}", f"certfile {tls.cert_file}", f"keyfile {tls.key_file}"]
            lines.append(f"require_certificate {str(tls.require_certificate).lower()}")
        self._conf.write_text("\n".join([*lines, extra, ""]) if conf is None else conf)

    def _password_file(self, users: dict[str, str]) -> Path:
        path = self.folder / "passwords"
        path.touch(mode=0o600)
        for name, password in users.items():
            subprocess.run(
                [need_program("mosquitto_passwd"), "-b", path, name, password],
                check=True,
                capture_output=True,
            )
        return path

    def need_version(self, version: str) -> None:
        """Skip the test if the broker does not speak this version of MQTT."""
        if version > self.version:
            self.need_mosquitto("does not speak MQTT 5")

    def need_mosquitto(self, why: str) -> None:
        """Skip the test if the broker is iotcore, which cannot serve it."""
        if self.kind == "iotcore":
            skip(f"needs mosquitto: iotcore {why}")

    @property
    def log(self) -> str:
        """What it has said so far; each packet is in it."""
        self.need_mosquitto("keeps no log of packets")
        return self._output

    @property
    def _output(self) -> str:
        return self._log.read_text(errors="replace") if self._log.exists() else ""

    @property
    def running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def start(self) -> None:
        """Start, and come back once it listens. Raises RuntimeError with the log if it does not."""
        assert not self.running, "already running"
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                self._command(),
                stdin=subprocess.PIPE,  # iotcore ends when it closes
                stdout=log,
                stderr=log,
            )
        deadline = time.monotonic() + LIMIT_S
        while self.running and time.monotonic() < deadline:
            with contextlib.suppress(OSError), socket.create_connection((self.host, self.port), timeout=1):
                return
            time.sleep(0.01)
        self.kill()
        raise RuntimeError(f"{self.kind} did not start:\n{self._output}")

    def _command(self) -> list[str]:
        if self.kind == "mosquitto":
            program = need_program("mosquitto")
            return [need_program("setpriv"), "--pdeathsig", "KILL", program, "-c", str(self._conf)]
        if self._started and self._keeps_sessions:
            skip("needs mosquitto: iotcore forgets sessions when it stops")
        self._started = True
        return [sys.executable, "-m", "strikewatch.demo.broker", "iotcore", self.host, str(self.port)]

    def stop(self) -> None:
        """A clean stop: sessions and queues are written to the folder if persistent."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """kill -9: sessions and queues fall back to what the last autosave held."""
        self._end(signal.SIGKILL)

    def restart(self, *, down_s: float = 0.0) -> None:
        """Stop cleanly, stay away for `down_s`, come back on the same port."""
        self.stop()
        time.sleep(down_s)
        self.start()

    def _end(self, how: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is not None:
            assert process.stdin is not None
            process.stdin.close()
            process.send_signal(how)
            try:
                process.wait(LIMIT_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(10)

    def freeze(self) -> None:
        """SIGSTOP: the socket stays open and silent, as over a dead radio link."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Undo `freeze`."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def __enter__(self) -> "Broker":
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()
