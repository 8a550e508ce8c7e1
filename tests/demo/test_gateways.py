"""The gateways against a real broker: the day, in order, at the clock's pace; and how they stop."""

import queue
import threading
from collections.abc import Iterator

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.core.instant import SECOND
from strikewatch.demo import gateways as module
from strikewatch.demo.broker import Broker
from strikewatch.demo.gateways import START_NS, Gateways, Message, PacedClock, site_messages
from strikewatch.demo.site import HAMMERS
from strikewatch.errors import BrokerError


def test_runs_pace_times_as_fast_from_its_creation() -> None:
    now_ns = [5_000]
    clock = PacedClock(100 * SECOND, 60.0, lambda: now_ns[0])
    assert clock.now_ns() == 100 * SECOND
    now_ns[0] += SECOND // 2
    assert clock.now_ns() == 130 * SECOND
    assert clock.real_s_until(190 * SECOND) == pytest.approx(1.0)
    assert clock.real_s_until(129 * SECOND) == 0.0


@pytest.mark.parametrize("pace", [0.0, -1.0])
def test_rejects_a_pace_of_zero_or_less(pace: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        PacedClock(0, pace)


WAIT_S = 20.0


@pytest.fixture(scope="module")
def broker() -> Iterator[Broker]:
    with Broker() as started:
        yield started


def test_publishes_the_day_in_order_and_never_early(broker: Broker) -> None:
    """The first 600 messages are those of the day, in order by hammer, none before its time on the clock."""
    arrivals: queue.Queue[tuple[int, str, bytes]] = queue.Queue()
    clock = PacedClock(START_NS, 1.0)
    subscribed = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda *arrived: arrivals.put((clock.now_ns(), arrived[2].topic, arrived[2].payload))
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect(broker.host, broker.port)
    client.loop_start()
    client.subscribe("plant/#", qos=1)
    assert subscribed.wait(WAIT_S)
    clock = PacedClock(START_NS, 60.0)
    with Gateways(broker.host, broker.port, clock, seed=3, prefix="plant") as gateways:
        arrived = [arrivals.get(timeout=WAIT_S) for _ in range(600)]
        assert gateways.failure is None
    assert gateways.sent >= 600
    client.disconnect()
    client.loop_stop()
    expected: dict[str, list[Message]] = {name: [] for name in HAMMERS}
    for message, _ in zip(site_messages(START_NS, 3), range(1200), strict=False):
        expected[message.hammer].append(message)
    for at_ns, topic, payload in arrived:
        message = expected[topic.split("/")[2]].pop(0)
        assert (topic, payload) == (f"plant/{message.topic}", message.payload)
        assert at_ns >= message.due_ns


def test_stop_is_immediate_and_idempotent(broker: Broker) -> None:
    """Stop does not wait for the next message, which is due in an hour."""
    gateways = Gateways(broker.host, broker.port, PacedClock(START_NS, 1e-6)).start()
    gateways.stop()
    gateways.stop()
    assert gateways.failure is None
    assert not [thread for thread in threading.enumerate() if thread.name == "gateways"]


def test_no_broker_is_an_error_that_names_the_address() -> None:
    with pytest.raises(BrokerError, match=r"127\.0\.0\.1:9"):
        Gateways("127.0.0.1", 9, PacedClock(START_NS, 60.0)).start()


def test_a_failure_of_the_publishing_thread_is_kept(broker: Broker, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> Iterator[Message]:
        raise RuntimeError("the day is broken")

    monkeypatch.setattr(module, "site_messages", broken)
    gateways = Gateways(broker.host, broker.port, PacedClock(START_NS, 60.0)).start()
    gateways.stop()
    assert str(gateways.failure) == "the day is broken"
