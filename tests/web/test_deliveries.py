"""Deliveries and endpoints over HTTP, with a real dispatcher and receiver."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from strikewatch.engine.self_alerts import DISK_FULL, SelfAlert
from strikewatch.sinks.dispatcher import Dispatcher
from strikewatch.sinks.settings import WebhookSettings
from strikewatch.sinks.webhook import webhook_endpoint
from strikewatch.storage.commit.step import StepRecord
from tests.receiver import Receiver
from tests.sinks.bench import KEY, LOOPBACK, SECRET
from tests.waiting import until
from tests.web.site import ENDPOINT, NOW, SITE, Site, site

BASE = "/api/v1"


@contextmanager
def at_work(server: Site, receiver: Receiver) -> Iterator[None]:
    settings = WebhookSettings.model_validate(
        {"name": ENDPOINT, "url": receiver.url, "secret_env": "BENCH_SECRET", "allow_private": LOOPBACK}
        | {"retry_s": (), "jitter": 0}
    )
    died: list[BaseException] = []
    dispatcher = Dispatcher(
        server.store, [webhook_endpoint(settings)], time.time_ns, time.monotonic_ns, died.append
    )
    dispatcher.start()
    try:
        yield
    finally:
        dispatcher.stop()
        assert not died


def test_a_parked_delivery_is_looked_at_and_sent_again(tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.setenv("BENCH_SECRET", SECRET)
    with site(tmp_path) as server, Receiver(KEY, [500, 200]) as receiver, at_work(server, receiver):
        token = server.token("Ada", "review")

        def delivery() -> Any:
            return server.request("GET", f"{BASE}/deliveries/1", token=token).json

        until(lambda: delivery()["state"] == "parked")
        (tried,) = delivery()["tried"]
        assert tried["outcome"] == "HTTP 500"
        assert "answered HTTP 500" in tried["steps"]
        assert delivery()["data"]["id"] == server.alert
        assert server.request("POST", f"{BASE}/deliveries/send", {"numbers": [1]}, token).json == {"again": 1}
        until(lambda: delivery()["state"] == "sent")
        assert len(delivery()["tried"]) == 2
        assert {response.name for response in receiver.received} == {delivery()["webhook_id"]}
        assert server.request("GET", f"{BASE}/deliveries/99", token=token).status == 404


def test_an_endpoint_is_tried_switched_off_and_on_again(tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.setenv("BENCH_SECRET", SECRET)
    with site(tmp_path) as server, Receiver(KEY) as receiver, at_work(server, receiver):
        token = server.token("Ada", "act")
        path = f"{BASE}/endpoints/{ENDPOINT}"

        def request(method: str, path: str, body: Any = None) -> Any:
            return server.request(method, path, body, token)

        receiver.wait_for(1)
        number = request("POST", f"{path}/test").json["number"]
        until(lambda: request("GET", f"{BASE}/deliveries/{number}").json["state"] == "sent")
        assert receiver.events(2)[1]["type"] == "strikewatch.test"

        assert request("POST", f"{path}/off", {"reason": "moves house"}).json == {"changed": 1}
        assert request("POST", f"{path}/off", {"reason": "again"}).json == {"changed": 0}
        why = "switched off by Ada: moves house"
        assert request("GET", f"{BASE}/endpoints").json == {"endpoints": [{"endpoint": ENDPOINT, "off": why}]}
        until(lambda: server.store.switched_off)
        assert request("POST", f"{path}/test").status == 409
        server.store.commit(StepRecord(NOW + 1, changes=SelfAlert(DISK_FULL).update(True, [SITE], NOW, 0)))
        parked = request("GET", f"{BASE}/deliveries?state=parked").json["deliveries"]
        assert [(delivery["fault"], delivery["outcome"]) for delivery in parked] == [("disk_full", why)]

        assert request("POST", f"{path}/on").json == {"changed": 1}
        until(lambda: not server.store.switched_off)
        number = request("POST", f"{path}/test").json["number"]
        until(lambda: request("GET", f"{BASE}/deliveries/{number}").json["state"] == "sent")
        assert len(receiver.received) == 3
        assert request("POST", f"{BASE}/endpoints/nowhere/on").status == 404


def test_deliveries_waiting_at_a_switched_off_endpoint_are_dead_lettered(
    tmp_path: Path, monkeypatch: Any
) -> None:
    """No dispatcher is at work at that moment; the next one finds it so."""
    monkeypatch.setenv("BENCH_SECRET", SECRET)
    with site(tmp_path) as server, Receiver(KEY) as receiver:
        token = server.token("Ada", "act")
        server.request("POST", f"{BASE}/endpoints/{ENDPOINT}/off", {"reason": "moves house"}, token)
        with at_work(server, receiver):
            until(
                lambda: server.request("GET", f"{BASE}/deliveries/1", token=token).json["state"] == "parked"
            )
        assert receiver.received == []


def test_endpoint_operations_need_the_role(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        view = server.token("a", "view")
        for path, body in (("test", {}), ("on", {}), ("off", {"reason": "x"})):
            assert server.request("POST", f"{BASE}/endpoints/{ENDPOINT}/{path}", body, view).status == 403
            assert server.request("POST", f"{BASE}/endpoints/{ENDPOINT}/{path}", body).status == 401
        assert server.request("GET", f"{BASE}/deliveries/1").status == 401
