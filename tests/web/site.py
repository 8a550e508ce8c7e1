"""A real server on a free port with alerts in its database, and a client for it."""

import http.client
import json
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import URL

from strikewatch.core.alert import Alert, Change
from strikewatch.core.batch import Batch, Key, Portion, Rows
from strikewatch.core.bout import AttributedBout, Bout
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.core.stretch import AttributedStretch, Stretch
from strikewatch.engine.pipeline import Pipeline
from strikewatch.service.http import open_http_server
from strikewatch.service.push import PushEndpoints
from strikewatch.settings.tree import load
from strikewatch.sinks.dispatcher import Dispatcher
from strikewatch.sources.mapping import SourceHealth
from strikewatch.sources.mqtt import Status
from strikewatch.storage.actions import tokens
from strikewatch.storage.actions.tokens import Role
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.web.live.live_state import LiveState
from strikewatch.web.live.worker_stats import WorkerStats
from tests.broker import free_port
from tests.waiting import until

SITE, HAMMER = "fennick-hollow", "HB-01"
ENDPOINT = "office"
NOW = 1_772_000_000 * SECOND


@dataclass
class Reply:
    status: int
    text: str
    headers: dict[str, str]

    @property
    def json(self) -> Any:
        return json.loads(self.text)


@dataclass
class Site:
    store: Store
    stats: WorkerStats
    port: int
    alert: str
    live_state: LiveState
    pipeline: Pipeline
    clock: list[Instant]
    broker: list[bool]
    died: list[BaseException]

    def request(
        self,
        method: str,
        path: str,
        body: Any = None,
        token: str | None = None,
        headers: dict[str, str] | None = None,
    ) -> Reply:
        """`body` is sent as it is if bytes, else as JSON."""
        sent = dict(headers or {})
        if token is not None:
            sent["Authorization"] = f"Bearer {token}"
        if body is not None and not isinstance(body, bytes):
            body = json.dumps(body).encode()
        if body is not None:
            sent.setdefault("Content-Type", "application/json")
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            connection.request(method, path, body, sent)
            response = connection.getresponse()
            return Reply(response.status, response.read().decode(), dict(response.getheaders()))
        finally:
            connection.close()

    def cookie(self, token: str) -> dict[str, str]:
        """What a browser sends that has signed in with it."""
        form = {"Content-Type": "application/x-www-form-urlencoded"}
        response = self.request("POST", "/sign-in", f"token={token}".encode(), headers=form)
        return {"Cookie": response.headers["set-cookie"].partition(";")[0]}

    def wait(self, duration: Instant) -> None:
        """The wall clock goes on."""
        self.clock[0] += duration

    def work(self, at: Instant, *events: Event, key: Key = (SITE, HAMMER)) -> None:
        """The hammer is heard, firing for the minute before an instant; with events in it."""
        time_ns = at + SECOND // 2 * np.arange(-120, 1, dtype=np.int64)
        rows = Rows(time_ns, {"active": np.ones(121), "oil_c": np.full(121, 60.0)})
        portion = Portion(key, rows, at, events)
        outcome = self.pipeline.step(Batch([portion]))
        self.pipeline.commit(outcome)
        self.live_state.enqueue_step(at, [portion], outcome)
        until(
            lambda: (hammer := self.live_state.hammers.get(portion.key)) and hammer.snapshot.data_until == at
        )

    def fired(self, start: Instant, end: Instant) -> None:
        """A bout is on record, and the work that it was part of."""
        nothing = [float("nan")] * 5
        bout = Bout((SITE, HAMMER), start, end, 0.0, 0.0, *nothing, 0.0, 0)
        stretch = Stretch((SITE, HAMMER), start, end, float(end - start), float(end - start))
        self.store.commit(
            _step([], [AttributedBout(bout, "op-14", None)], [AttributedStretch(stretch, "op-14", None)])
        )

    def alerts(self, *alerts: Alert) -> None:
        """What detectors found is committed: each as raised, and as cleared where it has ended."""
        changes = []
        for alert in alerts:
            step = "raised" if alert.cleared is None else "cleared"
            changes.append(
                Change(step, SITE, alert.hammer, alert.id, alert.record(), alert.onset, alert.cleared)  # type: ignore[arg-type]
            )
        self.store.commit(_step(changes, received=self.clock[0]))

    def token(self, name: str, role: Role, sites: Sequence[str] | None = None) -> str:
        with self.store.write() as connection:
            return tokens.add(connection, name, role, NOW, sites)


@contextmanager
def site(
    folder: Path,
    where: Path | URL | None = None,
    sites: Any = None,
    push: Any = None,
    sources: Sequence[SourceHealth] = (),
    **http_settings: Any,
) -> Iterator[Site]:
    """Everything but the worker and the dispatcher: the caller records the turns of the worker; one is recorded.

    `where` is an empty database; left out: a file in the folder. `sites`, `push`: settings of these tables; with those
    of notifications there is a dispatcher, too. `sources`: what was heard of mapped sources.
    """
    port = free_port()
    store_settings = {"path": str(folder / "watch.db"), "reserve_mib": 0}
    http = {"port": port, **http_settings}
    given = {"store": store_settings, "http": http, "sites": sites or {}, "push": push or {}}
    settings = load(given=given)
    with closing(Store(where or folder / "watch.db", {ENDPOINT: "http://127.0.0.1/"})) as store:
        alert = Alert("same_spot", SITE, HAMMER, "op-14", "medium", NOW, None)
        change = Change("raised", SITE, HAMMER, alert.id, alert.record(), NOW, None)
        store.commit(_step([change]))
        stats, clock, broker, died = WorkerStats(), [NOW + 60 * SECOND], [True], []
        stats.record_turn()
        live_state = LiveState(settings.of_hammer, 10.0)
        dispatcher = Dispatcher(store, [], time.time_ns, time.monotonic_ns)
        endpoints = PushEndpoints(settings, store, dispatcher, time.time_ns) if push else None
        server = open_http_server(
            settings,
            store,
            stats,
            lambda: Status(connected=broker[0], since_ns=NOW, reason="tests say so"),
            lambda: 7,
            lambda: clock[0],
            died.append,
            live_state,
            endpoints,
            lambda: sources,
        )
        pipeline = Pipeline(settings.of_hammer)
        server.start()
        dispatcher.start()
        try:
            yield Site(store, stats, port, alert.id, live_state, pipeline, clock, broker, died)
        finally:
            server.stop()
            dispatcher.stop()
            assert not died


def _step(
    changes: list[Change],
    bouts: Sequence[AttributedBout] = (),
    stretches: Sequence[AttributedStretch] = (),
    received: Instant = NOW,
) -> StepRecord:
    return StepRecord(
        received=received,
        rows=[],
        events=[],
        applied=[],
        changes=changes,
        bouts=bouts,
        stretches=stretches,
        states={(SITE, HAMMER): b"state"},
        layout="none:5",
        rejects=[],
        counts={"duplicate": 3},
    )
