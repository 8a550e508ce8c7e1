"""The bridge against a real MQTT broker and brokers that speak Kafka's protocol: nothing is lost, and order is kept."""

import json
import subprocess
import sys
from collections import defaultdict
from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from confluent_kafka import KafkaError

from strikewatch.errors import SettingsError
from strikewatch.fleet.kafka import KafkaWriter
from strikewatch.settings.tree import load
from strikewatch.sinks.settings import KafkaSettings
from strikewatch.sources.mqtt import Message
from tests.broker import Broker
from tests.fleet.kafka import KafkaCluster, Written
from tests.service.forked import Forked
from tests.service.processor import Gateway, Processor, until

HAMMERS = [f"HB-0{k}" for k in range(1, 7)]
ACKNOWLEDGED = "Received PUBACK from strikewatch-bridge"


class BridgeProcess(Processor):
    """`strikewatch fleet bridge` as a separate process."""

    def _launch(self, words: list[str], errors: Path) -> "Forked | subprocess.Popen[bytes]":
        return super()._launch(["fleet", "bridge", *words[1:]], errors)


@pytest.fixture
def kafka() -> Iterator[KafkaCluster]:
    with KafkaCluster() as cluster:
        yield cluster


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path) as broker:
        yield broker


@pytest.fixture
def bridge(tmp_path: Path, broker: Broker, kafka: KafkaCluster) -> Iterator[BridgeProcess]:
    process = BridgeProcess(tmp_path / "bridge", broker, kafka={"servers": kafka.servers})
    yield process
    process.end()


def send(broker: Broker, each: int, first: int = 0) -> None:
    """Publish the numbers from `first` on for every hammer, as payloads."""
    gateway = Gateway(broker)
    for number in range(first, first + each):
        for hammer in HAMMERS:
            gateway.send(hammer, "samples" if number % 5 else "events", str(number).encode())
    gateway.settle()
    gateway.close()


def by_key(found: list[Written]) -> dict[str, list[int]]:
    """Return the numbers of each key in the order in which they first came; one key is in one partition."""
    partitions: dict[str, set[int]] = defaultdict(set)
    numbers: dict[str, dict[int, None]] = defaultdict(dict)
    for message in found:
        assert message.value is not None
        partitions[message.key].add(message.partition)
        numbers[message.key].setdefault(int(message.value))
    assert all(len(each) == 1 for each in partitions.values())
    return {key: list(each) for key, each in numbers.items()}


def expected(each: int) -> dict[str, list[int]]:
    return {f"fennick-hollow/{hammer}": list(range(each)) for hammer in HAMMERS}


def test_messages_keep_payload_topic_and_order(
    bridge: BridgeProcess, broker: Broker, kafka: KafkaCluster
) -> None:
    bridge.start()
    send(broker, 50)
    until(lambda: broker.log.count(ACKNOWLEDGED) == 300)
    assert bridge.stop() == 0
    found = kafka.read()
    assert len(found) == 300, "without a kill each message is there once"
    assert by_key(found) == expected(50)
    headers = [one.headers for one in found if one.value == b"5" and one.key.endswith("HB-01")]
    assert headers[0]["topic"] == "strikewatch/fennick-hollow/HB-01/events"
    assert headers[0]["retained"] == "false"
    assert int(headers[0]["received_ns"]) > 1.7e18
    (line,) = bridge.lines("stopped")
    assert (line["messages"], line["written"], line["not_confirmed"]) == (300, 300, 0)
    assert (bridge.folder / "stderr").read_text() == ""


def test_nothing_is_acknowledged_while_kafka_is_away_and_the_log_says_so_once(
    bridge: BridgeProcess, broker: Broker, kafka: KafkaCluster
) -> None:
    """Even if the bridge is killed meanwhile; without messages it notices that Kafka is back."""
    bridge.start()
    until(lambda: bridge.lines("kafka_connected"))
    kafka.set_down()
    send(broker, 20)
    until(lambda: bridge.lines("kafka_unreachable"))
    bridge.kill()
    bridge.start()
    until(lambda: len(bridge.lines("kafka_unreachable")) == 2)
    assert ACKNOWLEDGED not in broker.log
    kafka.set_up()
    until(lambda: broker.log.count(ACKNOWLEDGED) == 120)
    assert len(bridge.lines("kafka_unreachable")) == 2, "one line for each process"
    assert "wait at the MQTT broker" in bridge.lines("kafka_unreachable")[0]["remedy"]
    assert len(bridge.lines("kafka_connected")) == 2
    assert bridge.stop() == 0
    assert by_key(kafka.read()) == expected(20)


def test_after_any_kills_of_bridge_and_broker_every_message_is_there_in_order(
    bridge: BridgeProcess, broker: Broker, kafka: KafkaCluster
) -> None:
    for turn in range(4):
        bridge.start()
        send(broker, 100, 100 * turn)
        bridge.kill()
        if turn == 1:
            broker.restart()
    bridge.start()
    until(lambda: bridge.lines("broker_connected"))
    send(broker, 1, 400)

    def complete() -> bool:
        return by_key(kafka.read(0.3)) == expected(401)

    until(complete)
    assert bridge.stop() == 0


def message(number: int, topic: str = "strikewatch/s/HB-01/samples", payload: bytes | None = None) -> Message:
    value = str(number).encode() if payload is None else payload
    return Message(topic, value, 1_772_608_500_000_000_000 + number, number, 1, 1, False)


def written(writer: KafkaWriter, count_: int) -> list[Message]:
    """Poll until so many messages are confirmed."""
    found: list[Message] = []

    def enough() -> bool:
        found.extend(writer.poll(0.02))
        return len(found) >= count_

    until(enough)
    return found


def test_a_refused_message_is_sent_again_before_all_later_ones(
    kafka: KafkaCluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Kafka refuses for good, as without permission, and later for a moment, as when a leader moves."""
    monkeypatch.setattr("strikewatch.fleet.kafka.RETRY_MIN_S", 0.05)
    writer = KafkaWriter(KafkaSettings(servers=kafka.servers), lambda _topic: "s/HB-01")
    numbers = count()
    confirmed: list[Message] = []
    problems: set[str] = set()

    def poll() -> bool:
        confirmed.extend(writer.poll(0.02))
        problems.add(writer.problem)
        return writer.in_flight == 0

    for code in (KafkaError.TOPIC_AUTHORIZATION_FAILED, KafkaError.NOT_LEADER_FOR_PARTITION):
        kafka.refuse(code, 3)
        for _ in range(10):
            for _ in range(20):
                writer.send(message(next(numbers)))
            poll()
        until(poll)
    writer.close()
    assert any("authorization failed" in problem for problem in problems)
    assert sorted(one.mid for one in confirmed) == list(range(400))
    assert by_key(kafka.read())["s/HB-01"] == list(range(400))


def test_of_a_payload_too_large_for_the_topic_the_headers_are_written(kafka: KafkaCluster) -> None:
    """So the message can be acknowledged, and the reader counts it as rejected."""
    settings = KafkaSettings(servers=kafka.servers, max_message_bytes=1000)
    writer = KafkaWriter(settings, lambda _topic: "s/HB-01")
    for number, size in enumerate((1000, 1001)):
        writer.send(message(number, payload=b"x" * size))
    assert len(written(writer, 2)) == 2
    writer.close()
    small, large = kafka.read()
    assert small.value == b"x" * 1000
    assert large.value is None
    assert large.headers["refused"] == "payload of 1001 bytes; at most 1000"
    assert writer.too_large == 1


def test_messages_of_a_mapped_topic_have_the_key_of_their_hammer(
    tmp_path: Path, broker: Broker, kafka: KafkaCluster
) -> None:
    """Or of the gateway, if the topic names no hammer."""
    tables = tmp_path / "sources.toml"
    tables.write_text(
        '[telem]\ntopic = "v1/{site}/{hammer}/telem"\ntime = { at = "@.t", as = "s" }\n'
        '[telem.channels]\noil_c = "@.oil"\n'
        '[opc]\ntopic = "scada/{unit}/groups"\nrecords = "$.values[*]"\ntime = { at = "@.t", as = "ms" }\n'
        'site = "fennick-hollow"\nhammer = "@.hammer"\n[opc.channels]\noil_c = "@.oil"\n',
        encoding="utf-8",
    )
    root: dict[str, Any] = {"kafka": {"servers": kafka.servers}}
    process = BridgeProcess(tmp_path / "bridge", broker, **root)
    path = process.folder / "settings.toml"
    path.write_text(f'sources_file = "{tables}"\n' + path.read_text())
    process.start()
    gateway = Gateway(broker)
    for topic in ("v1/fennick-hollow/HB-01/telem", "scada/7/groups"):
        gateway._client.publish(topic, b"{}", qos=1)
    gateway.send("HB-01", "samples", b"{}")
    until(lambda: broker.log.count(ACKNOWLEDGED) == 3)
    assert process.stop() == 0
    gateway.close()
    keys = {one.headers["topic"]: one.key for one in kafka.read()}
    assert keys == {
        "v1/fennick-hollow/HB-01/telem": "fennick-hollow/HB-01",
        "strikewatch/fennick-hollow/HB-01/samples": "fennick-hollow/HB-01",
        "scada/7/groups": "opc/7",
    }


@pytest.mark.parametrize(
    ("table", "named"),
    [
        ({"options": {"acks": "1"}}, "acks: cannot be changed"),
        ({"username": "bridge"}, "give both, or neither"),
        ({"topic": "a/b"}, "topic"),
    ],
)
def test_settings_that_could_lose_messages_are_refused(table: dict[str, Any], named: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load(given={"kafka": table})
    assert named in str(caught.value)


def test_an_unknown_option_is_named() -> None:
    with pytest.raises(SettingsError, match="no such option"):
        KafkaWriter(KafkaSettings(options={"no such option": 1}), str)


def test_without_the_client_of_kafka_the_remedy_is_named(tmp_path: Path) -> None:
    code = (
        "import sys\nsys.modules['confluent_kafka'] = None\n"
        "from strikewatch.cli.main import main\nsys.exit(main())"
    )
    command = [sys.executable, "-c", code, "fleet", "bridge"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=tmp_path)
    assert done.returncode == 2
    assert "pip install 'strikewatch[kafka]'" in done.stderr
    assert json.dumps("Traceback") not in done.stderr
