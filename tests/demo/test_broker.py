"""The demo's broker, both kinds, with real clients: loopback only, redelivery, large messages, and how it ends."""

import os
import queue
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.demo.broker import Broker, Kind
from strikewatch.errors import BrokerError
from strikewatch.programs import HIDDEN
from tests.programs import need_program

KINDS: tuple[Kind, ...] = ("mosquitto", "iotcore")
TOPIC = "strikewatch/fennick-hollow/HB-01/samples"
WAIT_S = 60.0


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> Kind:
    """Each kind of broker that is installed."""
    if request.param == "mosquitto":
        need_program("mosquitto")
    found: Kind = request.param
    return found


@pytest.fixture
def broker(kind: Kind) -> Iterator[Broker]:
    with Broker(kind) as started:
        yield started


class Listener:
    """A client with a persistent session that acknowledges only on request."""

    def __init__(self, broker: Broker, again: bool = False) -> None:
        self.messages: queue.Queue[mqtt.MQTTMessage] = queue.Queue()
        self._subscribed = threading.Event()
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="listener", clean_session=False, manual_ack=True
        )
        self.client.on_message = lambda *arrived: self.messages.put(arrived[2])
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()
        if not again:
            self._round_trip(TOPIC)

    def _round_trip(self, topic: str) -> None:
        self._subscribed.clear()
        self.client.subscribe(topic, qos=1)
        assert self._subscribed.wait(WAIT_S)

    def acknowledge(self, messages: list[mqtt.MQTTMessage]) -> None:
        """Acknowledge, and return when the broker has processed it: a disconnect may overtake acknowledgements."""
        for message in messages:
            self.client.ack(message.mid, message.qos)
        self._round_trip("nothing/here")

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def publish(broker: Broker, *payloads: bytes) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect(broker.host, broker.port)
    client.loop_start()
    for payload in payloads:
        client.publish(TOPIC, payload, qos=1).wait_for_publish(WAIT_S)
    client.disconnect()
    client.loop_stop()


def test_redelivers_what_was_not_acknowledged(broker: Broker) -> None:
    """Five of ten are acknowledged; after a reconnect only the other five are sent again."""
    sent = [f"{number}".encode() for number in range(10)]
    first = Listener(broker)
    publish(broker, *sent)
    messages = [first.messages.get(timeout=WAIT_S) for _ in sent]
    assert [message.payload for message in messages] == sent
    first.acknowledge(messages[:5])
    first.close()
    second = Listener(broker)
    again = [second.messages.get(timeout=WAIT_S) for _ in sent[5:]]
    second.acknowledge(again)
    publish(broker, b"last")
    after = second.messages.get(timeout=WAIT_S)
    second.close()
    assert [message.payload for message in again] == sent[5:]
    assert after.payload == b"last"


def test_queues_far_more_than_a_thousand_messages_for_an_offline_client(broker: Broker) -> None:
    """mosquitto's default would silently keep the first 1,000 only."""
    Listener(broker).close()
    publish(broker, *(b"%d" % number for number in range(1_500)))
    # iotcore answers a subscription only after what it sent has been acknowledged: the session has it already.
    listener = Listener(broker, again=True)
    for number in range(1_500):
        message = listener.messages.get(timeout=WAIT_S)
        assert message.payload == b"%d" % number
        listener.client.ack(message.mid, message.qos)
    listener.close()


def test_accepts_messages_far_larger_than_a_block(broker: Broker) -> None:
    """A gateway's backlog in one message, beyond iotcore's default limit of 20,480 bytes."""
    large = b"[" + b"1," * 100_000 + b"1]"
    listener = Listener(broker)
    publish(broker, large)
    assert listener.messages.get(timeout=WAIT_S).payload == large
    listener.close()


def test_listens_on_loopback_only(broker: Broker) -> None:
    """The port is free on every other address of the machine: another socket may bind it there."""
    with socket.socket() as other, pytest.raises(OSError, match="in use"):
        other.bind(("127.0.0.1", broker.port))
    with socket.socket() as other:
        other.bind(("127.0.0.2", broker.port))


def test_ends_with_its_context_and_close_is_idempotent(kind: Kind) -> None:
    with Broker(kind) as broker:
        assert broker.name == kind
        port, process = broker.port, broker._process
    broker.close()
    assert process is not None
    assert process.returncode is not None
    with pytest.raises(OSError, match="refused"):
        socket.create_connection((broker.host, port), timeout=1.0)


def test_can_be_opened_in_another_thread(kind: Kind) -> None:
    """Opened and closed in a thread of its own: no signal handlers, no tie to the main thread."""
    ports: list[int] = []

    def hold() -> None:
        with Broker(kind) as broker:
            publish(broker, b"{}")
            ports.append(broker.port)

    thread = threading.Thread(target=hold)
    thread.start()
    thread.join()
    assert len(ports) == 1


def test_ends_if_its_parent_is_killed(kind: Kind) -> None:
    """kill -9 of the process that opened it leaves no broker behind."""
    code = (
        "import sys, time; from strikewatch.demo.broker import Broker\n"
        f"with Broker('{kind}') as broker: print(broker.port, flush=True); time.sleep(600)"
    )
    owner = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)
    assert owner.stdout is not None
    port = int(owner.stdout.readline())
    os.kill(owner.pid, signal.SIGKILL)
    owner.wait()
    owner.stdout.close()
    gone = threading.Event()
    for _ in range(500):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)):
                gone.set()
                break
        threading.Event().wait(0.02)
    assert gone.is_set()


def test_uses_iotcore_if_mosquitto_is_not_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    need_program("mosquitto")
    assert Broker().name == "mosquitto"
    monkeypatch.setenv(HIDDEN, "mosquitto")
    assert Broker().name == "iotcore"


def test_reports_why_it_does_not_start(monkeypatch: pytest.MonkeyPatch) -> None:
    """The error has the broker's output, and no process is left."""
    monkeypatch.setattr(
        Broker, "_command", lambda *_: [sys.executable, "-c", "raise SystemExit('no such luck')"]
    )
    with pytest.raises(BrokerError, match="iotcore does not start: no such luck"):
        Broker("iotcore").__enter__()
