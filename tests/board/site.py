"""A real server on a free port, over a database with alerts in it; and how to ask it."""

import http.client
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from strikewatch.board.glance import Limits
from strikewatch.board.pulse import Pulse
from strikewatch.board.scene import Scene
from strikewatch.hosts.board import open_board
from strikewatch.intake.mqtt import Status
from strikewatch.model.alert import Alert, Change
from strikewatch.model.instant import SECOND
from strikewatch.settings import Settings
from strikewatch.store import tokens
from strikewatch.store.step import StepRecord
from strikewatch.store.store import Store
from strikewatch.store.tokens import Role
from tests.broker import free_port

SITE, HAMMER = "fennick-hollow", "HB-01"
NOW = 1_772_000_000 * SECOND


@dataclass
class Answer:
    status: int
    text: str
    headers: dict[str, str]

    @property
    def json(self) -> Any:
        return json.loads(self.text)


@dataclass
class Site:
    store: Store
    pulse: Pulse
    port: int
    alert: str
    scene: Scene
    broker: list[bool]
    died: list[BaseException]

    def ask(
        self,
        method: str,
        path: str,
        body: Any = None,
        token: str | None = None,
        headers: dict[str, str] | None = None,
    ) -> Answer:
        """`body` is sent as it is if bytes, else as JSON."""
        sent = dict(headers or {})
        if token is not None:
            sent["Authorization"] = f"Bearer {token}"
        if body is not None and not isinstance(body, bytes):
            body = json.dumps(body).encode()
        if body is not None:
            sent.setdefault("Content-Type", "application/json")
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            line.request(method, path, body, sent)
            got = line.getresponse()
            return Answer(got.status, got.read().decode(), dict(got.getheaders()))
        finally:
            line.close()

    def token(self, name: str, role: Role) -> str:
        with self.store.write() as connection:
            return tokens.add(connection, name, role, NOW)


@contextmanager
def site(folder: Path, **http_settings: Any) -> Iterator[Site]:
    """Everything but the worker: its pulse is the caller's to beat; it has turned once."""
    port = free_port()
    settings = Settings(
        **{
            "store": {"path": folder / "watch.db", "reserve_mib": 0},
            "http": {"port": port, **http_settings},
        }
    )
    store = Store(folder / "watch.db")
    try:
        alert = Alert("same_spot", SITE, HAMMER, "op-14", "medium", NOW, None)
        change = Change("raised", SITE, HAMMER, alert.id, alert.record(), NOW, None)
        store.commit(_step([change]))
        pulse, broker, died = Pulse(), [True], []
        pulse.turn()
        scene = Scene(lambda key: Limits.of(settings.of_hammer(key)), 10.0)
        server = open_board(
            settings,
            store,
            pulse,
            lambda: Status(connected=broker[0], since_ns=NOW, reason="tests say so"),
            lambda: 7,
            lambda: NOW + 60 * SECOND,
            died.append,
            scene,
        )
        server.start()
        try:
            yield Site(store, pulse, port, alert.id, scene, broker, died)
        finally:
            server.stop()
            assert not died
    finally:
        store.close()


def _step(changes: list[Change]) -> StepRecord:
    return StepRecord(
        received=NOW,
        rows=[],
        events=[],
        applied=[],
        changes=changes,
        bouts=[],
        states={(SITE, HAMMER): b"state"},
        layout="none",
        rejects=[],
        counts={"duplicate": 3},
    )
