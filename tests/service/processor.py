"""`strikewatch run` as a separate process, and a gateway that sends samples to it."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any, Self

import paho.mqtt.client as mqtt
import psycopg
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch import numba_cache
from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.service.precompile import precompile
from strikewatch.sources.mqtt.network_thread import disconnect
from tests.broker import Broker
from tests.service.forked import COMMAND, Forked
from tests.waiting import LIMIT_S, until

SITE = "fennick-hollow"
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
EVERY_FLIP: dict[str, dict[str, Any]] = {"faults.sensor_fault": {"off_delay_s": 0.0}}
"""Settings that raise one alert for each implausible reading."""
NO_STORMS: dict[str, Any] = {"flood_above": 1_000_000, "chattering_raisings": 1_000_000}
"""Settings of `alarms` that have every alert told by itself."""


class Processor:
    """The folder of a processor, and the processor through any number of starts; a `with` block ends it.

    `retry_s` are the waits between attempts at the webhook at `url`, `tables` settings beside the usual.
    """

    program = COMMAND
    """The module that it runs."""
    fresh = False
    """Whether it has an interpreter of its own."""

    def __init__(
        self,
        folder: Path,
        broker: Broker,
        url: str | None = None,
        *,
        retry_s: Sequence[float] = (0.2, 0.2, 0.5, 1, 1, 1, 1, 1, 1),
        **tables: dict[str, Any],
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.recordings = folder / "recordings"
        self._process: Forked | subprocess.Popen[bytes] | None = None
        self._url: str | None = tables.get("store", {}).get("url")
        settings: dict[str, dict[str, Any]] = {
            "mqtt": {
                "host": broker.host,
                "port": broker.port,
                "version": broker.version,
                "reconnect_min_s": 0.1,
                "reconnect_max_s": 0.5,
            },
            "store": {"path": str(folder / "strikewatch.db")},
            "recording": {"folder": str(self.recordings)},
            "log": {"form": "json", "file": str(folder / "log")},
            "http": {"enabled": False},
        }
        for name, table in tables.items():
            settings[name] = {**settings.get(name, {}), **table}
        text = "".join(_table(name, table) for name, table in settings.items())
        if url is not None:
            (folder / "secret").write_text(SECRET)
            text += f'[[webhooks]]\nname = "office"\nurl = "{url}"\nsecret_file = "{folder / "secret"}"\n'
            text += 'allow_private = ["127.0.0.0/8"]\n'
            text += f"retry_s = {list(retry_s)}\n"
        (folder / "settings.toml").write_text(text)

    def start(self, *, connected: bool = True) -> Self:
        """Start the process; wait until the broker has let it in, or, not `connected`, do not wait."""
        before = self.log().count("broker_connected")
        self._process = process = self._launch(
            ["run", "--config", str(self.folder / "settings.toml")], self.folder / "stderr"
        )
        if connected:
            until(lambda: self.log().count("broker_connected") > before or process.poll() is not None)
        return self

    def _launch(self, words: list[str], errors: Path) -> "Forked | subprocess.Popen[bytes]":
        if not numba_cache.ready():  # as part of a start it would take longer than tests wait
            precompile(print)
        if not self.fresh:
            return Forked(words, errors, self.program)
        with errors.open("ab") as file:
            command = [sys.executable, "-m", self.program, *words]
            return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=file)

    def stop(self) -> int:
        """SIGTERM; the exit code."""
        assert self._process is not None
        self._process.send_signal(signal.SIGTERM)
        return self._process.wait(LIMIT_S)

    def kill(self) -> None:
        assert self._process is not None
        os.kill(self._process.pid, signal.SIGKILL)
        self._process.wait()

    def wait(self, within_s: float) -> int:
        assert self._process is not None
        return self._process.wait(within_s)

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    @property
    def ended(self) -> bool:
        return self._process is None or self._process.poll() is not None

    def end(self) -> None:
        if not self.ended:
            self.kill()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def log(self) -> str:
        path = self.folder / "log"
        return path.read_text() if path.exists() else ""

    def lines(self, event: str) -> list[dict[str, Any]]:
        return [line for line in map(json.loads, self.log().splitlines()) if line["event"] == event]

    def query(self, sql: str) -> list[tuple[Any, ...]]:
        if self._url is not None:
            with psycopg.connect(self._url) as server:
                return server.execute(sql.encode()).fetchall()
        address = f"file:{self.folder / 'strikewatch.db'}?mode=ro"
        with closing(sqlite3.connect(address, uri=True, timeout=60)) as database:
            return database.execute(sql).fetchall()

    def alerts(self) -> list[dict[str, Any]]:
        """The store's alert records in the order of a replay; those withdrawn do not count."""
        records = [json.loads(record) for (record,) in self.query("select record from alerts")]
        kept = [record for record in records if "withdrawn" not in record["evidence"]]
        return sorted(kept, key=lambda r: (r["onset"], r["hammer"], r["fault"]))

    def has_processed(self, hammer: str, upto: Instant) -> bool:
        """Return whether the store says that a hammer's rows up to an instant have been committed."""
        found = self.query(f"select substr(state, 1, 8) from hammer_state where hammer = '{hammer}'")
        return bool(found) and int.from_bytes(found[0][0], "little", signed=True) >= upto

    def wait_until_processed(self, hammer: str, upto: Instant) -> None:
        """Wait until the store says that a hammer's rows up to an instant have been committed."""
        until(lambda: self.has_processed(hammer, upto))

    def wait_until_committed(self) -> None:
        """Wait until everything sent so far has been committed."""
        last, same = -1, 0
        while same < 15:  # longer than a row may wait behind a hole
            ((now,),) = self.query(
                "select (select coalesce(max(seq), 0) from arrived) + (select count(*) from events)"
            )
            same = same + 1 if now == last else 0
            last = now
            time.sleep(0.2)


class FreshProcessor(Processor):
    """With an interpreter of its own, where time or memory is measured, or the environment changes how it starts."""

    fresh = True


class Gateway:
    """A paho client that publishes at QoS 1 and waits for the acknowledgements."""

    def __init__(self, broker: Broker, name: str = "gateway", in_flight: int = 20) -> None:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=False)
        self._client.max_inflight_messages_set(in_flight)
        self._client.reconnect_delay_set(1, 1)
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()
        self._sent = 0
        self._taken = 0

        def taken(*_: Any) -> None:
            self._taken += 1

        self._client.on_publish = taken

    def send(self, hammer: str, kind: str, payload: Any, *, retain: bool = False) -> None:
        text = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        self._client.publish(f"strikewatch/{SITE}/{hammer}/{kind}", text, qos=1, retain=retain)
        self._sent += 1

    def block(self, hammer: str, at: Instant, step_s: float, **channels: Any) -> None:
        self.send(hammer, "samples", {"time": instant.text(at), "step_s": step_s, **channels})

    def event(self, hammer: str, at: Instant, kind: str, **fields: Any) -> None:
        self.send(hammer, "events", {"time": instant.text(at), "event": kind, **fields})

    def settle(self) -> None:
        """Wait until the broker has everything."""
        until(lambda: self._taken == self._sent)

    def close(self) -> None:
        disconnect(self._client)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def messages(rows: Rows, size: int) -> list[list[dict[str, Any]]]:
    """Return rows as JSON arrays of `size` objects, with times to the nanosecond and null if not sampled."""
    names = list(rows.columns)
    objects = []
    for i, at in enumerate(rows.time_ns.tolist()):
        values = {name: rows.columns[name][i].item() for name in names}
        sample: dict[str, Any] = {"time": f"{instant.text(at)[:-1]}{at % 1000:03d}Z"}
        for name, value in values.items():
            if value == value:
                boolean = name in ("active", "grease_flow") and value in (0.0, 1.0)
                sample[name] = bool(value) if boolean else value
        objects.append(sample)
    return [objects[k : k + size] for k in range(0, len(objects), size)]


def now_ns() -> Instant:
    """Return the present time, rounded to a second."""
    return time.time_ns() // SECOND * SECOND


def _table(name: str, table: dict[str, Any]) -> str:
    return f"[{name}]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in table.items())
