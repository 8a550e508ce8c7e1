"""The subscriber against a real broker, in both versions of MQTT: nothing lost, nothing acknowledged too early."""

import threading
import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import paho.mqtt.client as paho
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from strikewatch.errors import BrokerError, Rejected
from strikewatch.sources.decode.topic import parse
from strikewatch.sources.mapping import Sources, check_tables
from strikewatch.sources.mqtt import Message, Settings, Subscriber, session
from strikewatch.sources.mqtt.publish_packets import Publish, read_publishes
from tests.broker import Broker
from tests.mqtt_client import connected, listening
from tests.programs import SKIPPED
from tests.waiting import until

Version = Literal["3.1.1", "5"]
both_versions = pytest.mark.parametrize("version", ["3.1.1", "5"])


def settings_for(broker: Broker, version: Version, **changes: Any) -> Settings:
    broker.need_version(version)
    return Settings(
        **{
            "host": broker.host,
            "port": broker.port,
            "version": version,
            "client_id": "strikewatch",
            "reconnect_min_s": 0.05,
            "reconnect_max_s": 0.2,
            **changes,
        }
    )


@pytest.fixture(params=["buffer", "client"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Read messages from the receive buffer, or all of them by the MQTT client."""
    found_at_all = False

    def read(data: bytes, at: int, most: int, *, has_properties: bool) -> tuple[list[Publish], int]:
        nonlocal found_at_all
        if request.param == "client":
            return [], at
        found, at = read_publishes(data, at, most, has_properties=has_properties)
        found_at_all |= bool(found)
        return found, at

    monkeypatch.setattr(session, "read_publishes", read)
    yield
    assert found_at_all == (request.param == "buffer") or SKIPPED in request.node.stash


both_ways = pytest.mark.usefixtures("way")


@contextmanager
def subscribed(settings: Settings) -> Iterator[Subscriber]:
    subscriber = Subscriber(settings)
    subscriber.start()
    try:
        until(lambda: len(subscriber.status().grants) == 2)
        yield subscriber
    finally:
        subscriber.stop()


def publish(broker: Broker, numbers: range, topic: str = "strikewatch/s/HB-01/samples", qos: int = 1) -> None:
    """Publish payloads b"0", b"1", ... and wait until the broker has them."""
    with connected(broker) as client:
        for number in numbers:
            info = client.publish(topic, str(number), qos)
        info.wait_for_publish(10)


def collect(subscriber: Subscriber, count: int, acknowledge: bool = True) -> list[Message]:
    messages: list[Message] = []

    def enough() -> bool:
        taken = subscriber.take(100, 0.2)
        messages.extend(taken)
        if acknowledge:
            subscriber.acknowledge(taken)
        return len(messages) >= count

    until(enough)
    return messages


def numbers(messages: list[Message]) -> list[int]:
    return [int(message.payload) for message in messages]


@both_ways
@both_versions
def test_messages_of_both_kinds_arrive_in_order(tmp_path: Path, version: Version) -> None:
    with Broker(tmp_path) as broker, subscribed(settings_for(broker, version)) as subscriber:
        assert list(subscriber.status().grants) == ["strikewatch/+/+/samples", "strikewatch/+/+/events"]
        publish(broker, range(300))
        publish(broker, range(300, 301), "strikewatch/s/HB-01/events")
        publish(broker, range(999, 1000), "strikewatch/s/HB-01/other")
        got = collect(subscriber, 301)
        assert numbers(got) == list(range(301))
        assert got[-1].topic == "strikewatch/s/HB-01/events"
        assert {(m.qos, m.generation, m.redelivered) for m in got} == {(1, 1, False)}
        assert subscriber.take(10, 0.1) == []


def test_messages_are_stamped_by_the_injected_clock(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker:
        subscriber = Subscriber(settings_for(broker, "5"), clock=lambda: 42)
        subscriber.start()
        until(lambda: subscriber.status().grants)
        publish(broker, range(1))
        assert collect(subscriber, 1)[0].received_ns == 42
        subscriber.stop()


@both_versions
def test_the_session_outlives_the_subscriber(tmp_path: Path, version: Version) -> None:
    """What is published while we are away comes on our return, unmarked, in order; a clean stop keeps the session."""
    with Broker(tmp_path) as broker:
        with subscribed(settings_for(broker, version)) as subscriber:
            assert not subscriber.status().resumed
        publish(broker, range(50))
        with subscribed(settings_for(broker, version)) as subscriber:
            assert subscriber.status().resumed
            assert numbers(collect(subscriber, 50)) == list(range(50))


@both_ways
@both_versions
def test_only_unacknowledged_messages_are_redelivered(tmp_path: Path, version: Version) -> None:
    """Death with 100 messages taken and the first 60 acknowledged: the other 40 come again, marked."""
    with Broker(tmp_path) as broker:
        with subscribed(settings_for(broker, version)) as subscriber:
            publish(broker, range(100))
            got = collect(subscriber, 100, acknowledge=False)
            subscriber.acknowledge(got[:60])
        with subscribed(settings_for(broker, version)) as subscriber:
            again = collect(subscriber, 40)
            assert numbers(again) == list(range(60, 100))
            assert broker.kind == "iotcore" or all(
                message.redelivered for message in again
            )  # it leaves the flag out
            assert subscriber.take(10, 0.2) == []


@both_ways
@both_versions
def test_acknowledgements_of_a_lost_connection_are_not_sent(tmp_path: Path, version: Version) -> None:
    """After a reconnect the old message numbers may mean new messages: stale ones must not remove those."""
    with Broker(tmp_path) as broker:
        with subscribed(settings_for(broker, version)) as subscriber:
            publish(broker, range(10))
            stale = collect(subscriber, 10, acknowledge=False)
            broker.restart()
            until(lambda: subscriber.status().generation > stale[0].generation and subscriber.status().grants)
            again = collect(subscriber, 10, acknowledge=False)
            assert {m.mid for m in again} & {m.mid for m in stale}, "the test needs numbers used twice"
            subscriber.acknowledge(stale)
        with subscribed(settings_for(broker, version)) as subscriber:
            assert numbers(collect(subscriber, 10)) == list(range(10))


@both_versions
def test_after_a_broker_restart_we_subscribe_again(tmp_path: Path, version: Version) -> None:
    """Even where the broker forgot everything."""
    with (
        Broker(tmp_path, persistence=False) as broker,
        subscribed(settings_for(broker, version)) as subscriber,
    ):
        broker.kill()
        until(lambda: not subscriber.status().connected)
        until(lambda: "cannot connect" in subscriber.status().reason)
        broker.start()
        until(lambda: subscriber.status().connected and len(subscriber.status().grants) == 2)
        assert not subscriber.status().resumed
        publish(broker, range(5))
        assert numbers(collect(subscriber, 5)) == list(range(5))


@both_ways
@both_versions
def test_a_full_queue_leaves_the_rest_to_the_broker(tmp_path: Path, version: Version) -> None:
    """Nothing is taken for three keepalives: the line holds, the queue stays bounded, nothing is lost or doubled."""
    with Broker(tmp_path) as broker:
        settings = settings_for(broker, version, queue_limit=20, keepalive_s=1)
        with subscribed(settings) as subscriber:
            publish(broker, range(3000))
            until(lambda: subscriber.status().full)
            pings = broker.log.count("Received PINGREQ")
            until(lambda: broker.log.count("Received PINGREQ") >= pings + 3)
            status = subscriber.status()
            assert (status.connected, status.generation, status.queued) == (True, 1, 20)
            got = collect(subscriber, 3000)
            assert numbers(got) == list(range(3000))
            assert subscriber.status().generation == 1
            pings = broker.log.count("Received PINGREQ")
            until(lambda: broker.log.count("Received PINGREQ") >= pings + 2)
            assert subscriber.status().generation == 1


def test_a_queue_full_of_bytes_is_full(tmp_path: Path) -> None:
    with (
        Broker(tmp_path, extra="message_size_limit 0") as broker,
        subscribed(settings_for(broker, "5", queue_limit_mib=1)) as subscriber,
    ):
        with connected(broker) as client:
            for _ in range(20):
                info = client.publish("strikewatch/s/HB-01/samples", b"x" * 400_000, 1)
            info.wait_for_publish(10)
        until(lambda: subscriber.status().full)
        assert subscriber.status().queued == 3
        taken = collect(subscriber, 3, acknowledge=False)
        assert subscriber.take(100, 0.3) == []  # what is being processed counts, too
        subscriber.acknowledge(taken)
        assert len(collect(subscriber, 17)) == 17


ALL_TOPICS = """
[all]
topic = "#"
time = "arrival"
site = "pit"
hammer = "HB-01"
channels = { active = "@.on" }
"""


@both_ways
def test_long_topics_fill_no_memory(tmp_path: Path) -> None:
    """A sender may invent topics of 65,535 bytes: they are cut, and rejected even where a source takes all topics."""
    longest = f"strikewatch/s/{'x' * (2048 - 22)}/samples"
    sent = f"strikewatch/{'x' * 60_000}/HB-01/samples", longest, longest.replace("x", "xx", 1)
    with Broker(tmp_path) as broker, subscribed(settings_for(broker, "5")) as subscriber:
        for topic in sent:
            publish(broker, range(1), topic=topic)
        topics = {message.topic for message in collect(subscriber, 3)}
    cut = {f"{topic[:2048]}…" for topic in sent} - {f"{longest}…"}
    assert topics == {longest, *cut}
    tables, _ = check_tables(tomllib.loads(ALL_TOPICS))
    for topic in cut:
        assert not Sources(tables).taken(topic)
        with pytest.raises(Rejected, match="topic"):
            parse(topic, "strikewatch")


@both_versions
def test_large_messages_arrive_whole_and_in_order(tmp_path: Path, version: Version) -> None:
    sent = [bytes([65 + k]) * size for k, size in enumerate((3_000_000, 10, 262_144, 70_000, 17_000_000, 5))]
    with (
        Broker(tmp_path, extra="message_size_limit 0") as broker,
        subscribed(settings_for(broker, version)) as subscriber,
    ):
        with connected(broker) as client:
            for payload in sent:
                info = client.publish("strikewatch/s/HB-01/samples", payload, 1)
            info.wait_for_publish(20)
        got = [message.payload for message in collect(subscriber, len(sent))]
        # of one that is too large, enough is kept to find that out
        assert got == [payload[: 16 * 1024 * 1024 + 1] for payload in sent]
        assert subscriber.status().generation == 1


@both_versions
def test_a_second_instance_is_reported_and_ends_neither(tmp_path: Path, version: Version) -> None:
    """Two with one client id: at least one says so, both keep trying, and the one that is left recovers."""
    with Broker(tmp_path) as broker:
        settings = settings_for(
            broker,
            version,
            takeover_limit=3,
            takeover_window_s=1.5,
            reconnect_min_s=0.3,
            reconnect_max_s=0.6,
        )
        rivals = [Subscriber(settings), Subscriber(settings)]
        for rival in rivals:
            rival.start()

        def in_use(rival: Subscriber) -> bool:
            rival.take(1, 0.01)  # raises BrokerError if it has ended
            return rival.status().in_use

        until(lambda: in_use(rivals[0]) or in_use(rivals[1]))
        assert any(rival.status().takeovers >= 3 for rival in rivals)
        rivals[0].stop()
        until(lambda: rivals[1].status().connected and rivals[1].status().takeovers == 0)
        assert not in_use(rivals[1])
        rivals[1].stop()


def test_waits_grow_while_others_take_the_session_over(tmp_path: Path) -> None:
    """Three takeovers, each as soon as the subscriber is back: the waits are 1, 2 and 4 s, ±20 %."""
    with Broker(tmp_path) as broker:
        settings = settings_for(broker, "5", reconnect_min_s=1.0, reconnect_max_s=10.0)
        with subscribed(settings) as subscriber:
            waits = []
            for taken in (1, 2, 3):
                with connected(broker, client_id="strikewatch"):
                    until(lambda taken=taken: subscriber.status().takeovers == taken)
                    began = time.monotonic()
                until(lambda: subscriber.status().connected)
                waits.append(time.monotonic() - began)
            assert waits[1] > 1.0
            assert waits[2] > 2.0
            assert subscriber.status().new_sessions == 4  # the first, and one after each clean session


def test_a_frozen_broker_is_noticed(tmp_path: Path) -> None:
    """A half-open connection: the broker neither answers nor closes."""
    with Broker(tmp_path) as broker, subscribed(settings_for(broker, "5", keepalive_s=1)) as subscriber:
        broker.freeze()
        until(lambda: not subscriber.status().connected)
        broker.thaw()
        until(lambda: subscriber.status().connected)


def test_an_error_in_the_network_thread_reaches_the_caller(tmp_path: Path) -> None:
    """A broken clock stands for any fault in a callback: `take` raises it, the status says it, no shell lives on."""

    def broken() -> int:
        if threading.current_thread().name == "mqtt":
            raise ZeroDivisionError("the clock is broken")
        return 0

    with Broker(tmp_path) as broker:
        subscriber = Subscriber(settings_for(broker, "5"), clock=broken)
        subscriber.start()
        with pytest.raises(BrokerError, match="the clock is broken") as raised:
            subscriber.take(1, 20)
        assert isinstance(raised.value.__cause__, ZeroDivisionError)
        assert not subscriber.status().connected
        subscriber.stop()


@both_ways
def test_many_threads_may_acknowledge(tmp_path: Path) -> None:
    """Each message is acknowledged once, from four threads: none is left at the broker, none comes again."""
    with Broker(tmp_path) as broker:
        with subscribed(settings_for(broker, "5")) as subscriber:
            publish(broker, range(1000))
            got = collect(subscriber, 1000, acknowledge=False)
            parts = [threading.Thread(target=subscriber.acknowledge, args=(got[i::4],)) for i in range(4)]
            for part in parts:
                part.start()
            for part in parts:
                part.join()
        with subscribed(settings_for(broker, "5")) as subscriber:
            assert subscriber.status().resumed
            assert subscriber.take(1, 0.3) == []


@both_ways
@both_versions
def test_payloads_of_any_size_pass_untouched_and_in_order(tmp_path: Path, version: Version) -> None:
    """Whole in the receive buffer, longer than it, or cut by its end; also retained, and with properties."""
    sizes = [0, 1, 100, 127, 128, 300, 16_383, 16_384, 70_000, 262_144, 600_000, 5, 0]
    bodies = [bytes([k]) * size + b"\xff\x00" for k, size in enumerate(sizes)] + [
        b"%d" % k for k in range(5_000)
    ]
    topics = [f"strikewatch/s/HB-{k % 3}/{'samples' if k % 7 else 'events'}" for k in range(len(bodies))]
    with Broker(tmp_path, extra="message_size_limit 0") as broker:
        protocol = paho.MQTTv5 if broker.version == "5" else paho.MQTTv311
        with (
            connected(broker, protocol=protocol) as client,
            subscribed(settings_for(broker, version)) as subscriber,
        ):
            for k, (topic, body) in enumerate(zip(topics, bodies, strict=True)):
                properties = None
                if protocol == paho.MQTTv5:
                    properties = Properties(PacketTypes.PUBLISH)
                    properties.UserProperty = [("n", "x" * (k % 200))]
                info = client.publish(topic, body, 1, retain=k % 10 == 0, properties=properties)
            info.wait_for_publish(20)
            got = collect(subscriber, len(bodies))
            by_topic: dict[str, list[bytes]] = {}
            for topic, body in zip(topics, bodies, strict=True):
                by_topic.setdefault(topic, []).append(body)
            assert {topic: [m.payload for m in got if m.topic == topic] for topic in by_topic} == by_topic


@both_versions
def test_a_request_is_published_at_qos_0_and_dropped_without_a_connection(
    tmp_path: Path, version: Version
) -> None:
    """A request that is late is of no use: what was to be sent before the connection is not sent after it."""
    topic = "spBv1.0/g/NCMD/n"
    with Broker(tmp_path) as broker, listening(broker, topic) as heard:
        broker.need_mosquitto("sends everything at the QoS of the subscription")
        subscriber = Subscriber(settings_for(broker, version))
        subscriber.publish(topic, b"early")
        subscriber.start()
        until(lambda: subscriber.status().connected)
        subscriber.publish(topic, b"request")
        until(lambda: heard)
        subscriber.publish(topic, b"last")
        subscriber.stop()
        until(lambda: len(heard) == 2)
    assert [(one.payload, one.qos, one.retain) for one in heard] == [
        (b"request", 0, False),
        (b"last", 0, False),
    ]
