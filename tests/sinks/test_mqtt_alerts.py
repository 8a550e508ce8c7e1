"""Alerts published to a real broker: nothing lost, in order, and active alerts retained."""

import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.engine.self_alerts import DISK_FULL, SelfAlert
from strikewatch.sinks import mqtt
from strikewatch.sinks.dispatcher import Dispatcher
from strikewatch.sinks.settings import MQTT_ALERTS, MqttSettings
from strikewatch.sources.decode import topic
from strikewatch.sources.mqtt.settings import Settings as BrokerSettings
from strikewatch.sources.mqtt.settings import TlsSettings
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.queries.active import sent_records
from tests.broker import Broker, Tls
from tests.certificates import Authority
from tests.sinks.bench import Clock, DeliveryBench, change

ACL = "user processor\ntopic write strikewatch/+/+/alerts\nuser lamp\ntopic read strikewatch/#\n"
USERS = {"processor": "p", "lamp": "l"}
CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path) as one:
        yield one


class Lamp:
    """A subscriber such as a lamp in the cab."""

    def __init__(self, broker: Broker, user: str | None = None, *topics: str) -> None:
        self.heard: list[tuple[str, dict[str, Any], bool]] = []
        self._came = threading.Condition()
        self._client = client = paho.Client(CallbackAPIVersion.VERSION2)
        if user is not None:
            client.username_pw_set(user, "l")
        ready = threading.Event()
        client.on_subscribe = lambda *_: ready.set()
        client.on_message = self._on_message
        client.connect(broker.host, broker.port)
        client.subscribe([(each, 1) for each in topics or ("strikewatch/#",)])
        client.loop_start()
        assert ready.wait(10)

    def _on_message(self, _client: Any, _userdata: Any, message: paho.MQTTMessage) -> None:
        with self._came:
            self.heard.append((message.topic, json.loads(message.payload), message.retain))
            self._came.notify_all()

    def wait_for(self, n: int) -> list[tuple[str, dict[str, Any], bool]]:
        with self._came:
            assert self._came.wait_for(lambda: len(self.heard) >= n, 20), self.heard
            return self.heard[:n]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class MqttBench(DeliveryBench):
    """A bench whose one endpoint is the broker."""

    def __init__(self, path: Path, clock: Clock, broker: BrokerSettings, **settings: Any) -> None:
        self.broker = broker
        self.settings = MqttSettings(publish=True, **({"jitter": 0.0, "retry_s": (5, 5, 5)} | settings))
        super().__init__(path, clock, {})

    def open(self) -> None:
        self.store = Store(self.path, {MQTT_ALERTS: f"mqtt://{self.broker.host}:{self.broker.port}"})
        endpoint = mqtt.endpoint(self.settings, self.broker, lambda *place: sent_records(self.store, *place))
        self.dispatcher = Dispatcher(
            self.store, [endpoint], self.clock.wall, self.clock.monotonic, self.failed.append
        )
        self.dispatcher.start()


Make = Callable[..., MqttBench]


@pytest.fixture
def make(path: Path, clock: Clock) -> Iterator[Make]:
    yards: list[MqttBench] = []

    def make(broker: Broker, more: dict[str, Any] | None = None, **settings: Any) -> MqttBench:
        given: dict[str, Any] = {"version": broker.version, **(more or {})}
        broker.need_version(given["version"])
        to = BrokerSettings(host=broker.host, port=broker.port, **given)
        yards.append(MqttBench(path, clock, to, **settings))
        return yards[-1]

    yield make
    for bench in yards:
        bench.close()


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_steps_are_published_in_order_and_active_alerts_are_retained(
    broker: Broker, make: Make, version: str
) -> None:
    lamp = Lamp(broker)
    bench = make(broker, {"version": version})
    bench.commit((1, "raised"))
    lamp.wait_for(2)
    bench.commit((1, "escalated"), (1, "cleared"))
    heard = lamp.wait_for(6)
    lamp.close()
    steps = [(name, told["type"]) for name, told, _ in heard if name.endswith("/alerts")]
    assert steps == [
        ("strikewatch/pit/HB-01/alerts", f"strikewatch.alert.{step}")
        for step in ("raised", "escalated", "cleared")
    ]
    assert heard[0][1]["data"] == change(1, "raised").record
    states = [told for name, told, _ in heard if name == "strikewatch/pit/HB-01/standing"]
    assert (states[0]["highest"], [one["id"] for one in states[0]["alerts"]]) == (
        "low",
        [heard[0][1]["data"]["id"]],
    )
    assert (states[-1]["highest"], states[-1]["alerts"]) == (None, [])
    bench.until(lambda: [state for state, *_ in bench.rows()] == ["sent"] * 3)


def test_an_alert_of_a_site_is_published_on_the_sites_topic_and_not_retained(
    broker: Broker, make: Make, clock: Clock
) -> None:
    lamp = Lamp(broker)
    bench = make(broker)
    bench.store.commit(
        StepRecord(clock.now, changes=SelfAlert(DISK_FULL).update(True, ["pit"], clock.now, 0))
    )
    bench.dispatcher.wake()
    bench.until(lambda: [state for state, *_ in bench.rows()] == ["sent"])
    bench.commit((1, "raised"))
    heard = lamp.wait_for(3)
    lamp.close()
    assert [name for name, *_ in heard] == [
        "strikewatch/pit/alerts",
        "strikewatch/pit/HB-01/alerts",
        "strikewatch/pit/HB-01/standing",
    ]


def test_a_lamp_that_connects_later_gets_the_active_alerts_and_no_old_steps(
    broker: Broker, make: Make
) -> None:
    bench = make(broker)
    bench.commit((1, "raised"), (2, "raised"))
    bench.commit((2, "cleared"))
    bench.until(lambda: [state for state, *_ in bench.rows()] == ["sent"] * 3)
    lamp = Lamp(broker)
    heard = lamp.wait_for(2)
    lamp.close()
    assert all(retained for *_, retained in heard)
    assert {name: [one["hammer"] for one in told["alerts"]] for name, told, _ in heard} == {
        "strikewatch/pit/HB-01/standing": ["HB-01"],
        "strikewatch/pit/HB-02/standing": [],
    }


def test_nothing_is_lost_while_the_broker_is_away(broker: Broker, make: Make) -> None:
    """The broker is down at the first message and again between two: all arrive in order once it is back."""
    bench = make(broker)
    broker.stop()
    bench.commit((1, "raised"))
    bench.until(lambda: bench.rows()[0][1] == 1)
    assert "refused" in bench.rows()[0][2].lower()
    broker.start()
    lamp = Lamp(broker, None, "strikewatch/+/+/alerts")
    bench.advance(5)
    lamp.wait_for(1)
    bench.commit((1, "cleared"))
    heard = lamp.wait_for(2)
    lamp.close()
    assert [told["type"].split(".")[2] for _, told, _ in heard] == ["raised", "cleared"]
    bench.until(lambda: [state for state, *_ in bench.rows()] == ["sent", "sent"])


def test_a_frozen_broker_times_out(broker: Broker, make: Make) -> None:
    bench = make(broker, timeout_s=0.3)
    broker.freeze()
    try:
        bench.commit((1, "raised"))
        bench.until(lambda: bench.rows()[0][1] == 1)
        assert "Timeout: the broker does not answer in time" in bench.rows()[0][2]
    finally:
        broker.thaw()
    bench.advance(5)
    bench.until(lambda: bench.rows()[0][0] == "sent")


def test_a_topic_denied_by_the_access_list_is_reported(tmp_path: Path, make: Make) -> None:
    """Steps are permitted and active alerts are not: MQTT 5 reports it, so the attempt fails."""
    (tmp_path / "password").write_text("p\n")
    with Broker(tmp_path, users=USERS, acl=ACL) as broker:
        mine = {"username": "processor", "password_file": tmp_path / "password"}
        bench = make(broker, mine)
        bench.commit((1, "raised"))
        bench.until(lambda: bench.rows()[0][1] == 1)
        assert bench.rows() == [
            (
                "waiting",
                1,
                "the broker refuses strikewatch/pit/HB-01/standing: Not authorized; see its access list",
            )
        ]


def test_the_shipped_access_list_permits_alerts_and_a_lamp_for_its_own_hammer(
    tmp_path: Path, make: Make
) -> None:
    (tmp_path / "password").write_text("p")
    users = {"processor": "p", "pit/HB-01": "l"}
    with Broker(tmp_path, users=users, acl=(CONFIG / "mosquitto.acl").read_text()) as broker:
        lamp = Lamp(broker, "pit/HB-01")
        bench = make(broker, {"username": "processor", "password_file": tmp_path / "password"})
        bench.commit((2, "raised"))
        bench.until(lambda: bench.rows()[0][0] == "sent")
        bench.commit((1, "raised"))
        names = [name for name, *_ in lamp.wait_for(2)]
        lamp.close()
        assert names == ["strikewatch/pit/HB-01/alerts", "strikewatch/pit/HB-01/standing"]


def test_a_wrong_broker_password_is_reported(tmp_path: Path, make: Make) -> None:
    with Broker(tmp_path, users=USERS) as broker:
        bench = make(broker, {"username": "processor"})
        bench.commit((1, "raised"))
        bench.until(lambda: bench.rows()[0][1] == 1)
        assert "the broker refuses the connection" in bench.rows()[0][2]


def test_over_tls_the_broker_name_is_verified(tmp_path: Path, make: Make) -> None:
    authority = Authority(tmp_path)
    right, wrong = authority.issue("right", ["127.0.0.1"]), authority.issue("wrong", ["broker.test"])
    trust = {"tls": TlsSettings(ca_file=authority.ca_file)}
    with Broker(tmp_path / "a", tls=Tls(authority.ca_file, wrong.cert_file, wrong.key_file)) as broker:
        bench = make(broker, trust)
        bench.commit((1, "raised"))
        bench.until(lambda: bench.rows()[0][1] == 1)
        assert "certificate is not valid for '127.0.0.1'" in bench.rows()[0][2]
    port = broker.port
    with Broker(tmp_path / "b", port=port, tls=Tls(authority.ca_file, right.cert_file, right.key_file)):
        bench.advance(5)
        bench.until(lambda: bench.rows()[0][0] == "sent")


def test_the_processor_does_not_subscribe_to_what_it_publishes() -> None:
    """Its own alerts can never come back as samples or events."""
    for name in ("strikewatch/pit/HB-01/alerts", "strikewatch/pit/alerts", "strikewatch/pit/HB-01/standing"):
        assert not any(paho.topic_matches_sub(each, name) for each in topic.filters("strikewatch"))


def test_retained_alerts_leave_out_ended_ones_and_other_hammers(path: Path, clock: Clock) -> None:
    store = Store(path, {MQTT_ALERTS: "mqtt://x"})
    store.commit(StepRecord(clock.now, changes=[change(1, "raised"), change(2, "raised")]))
    store.commit(StepRecord(clock.now, changes=[change(2, "cleared")]))
    assert [one["hammer"] for one in sent_records(store, "pit", "HB-01")] == ["HB-01"]
    assert sent_records(store, "pit", "HB-02") == sent_records(store, "quay", "HB-01") == []
    store.close()
