"""Who gets in: passwords, TLS with the host's name verified, client certificates, the access list, refusals."""

import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from pydantic import ValidationError

from strikewatch.sources.mqtt import Settings, Subscriber, TlsSettings
from tests.broker import Broker, Tls, free_port, granting
from tests.certificates import Authority
from tests.programs import need_program
from tests.sources.test_mqtt import collect, numbers, settings_for, subscribed, until

CONFIG = Path(__file__).parents[2] / "config"


@contextmanager
def refused(settings: Settings) -> Iterator[Subscriber]:
    """A subscriber that is expected not to get in."""
    subscriber = Subscriber(settings)
    subscriber.start()
    try:
        until(lambda: subscriber.status().reason not in ("connecting", "not started"))
        assert not subscriber.status().connected
        yield subscriber
    finally:
        subscriber.stop()


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_user_and_password(tmp_path: Path, version: str) -> None:
    password_file = tmp_path / "password"
    password_file.write_text("gravel and grease\n")
    with Broker(tmp_path, users={"processor": "gravel and grease"}) as broker:
        known = settings_for(broker, version, username="processor", password_file=password_file)  # type: ignore[arg-type]
        with subscribed(known) as subscriber:
            assert subscriber.status().reason == "connected"


def test_failed_attempts_back_off() -> None:
    settings = Settings(reconnect_min_s=1, reconnect_max_s=60)
    assert [settings.reconnect_delay_s(n) for n in (0, 1, 2, 3, 6, 7, 8, 10**6)] == [
        1,
        1,
        2,
        4,
        32,
        60,
        60,
        60,
    ]


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_a_wrong_password_is_reported_and_can_be_corrected_without_a_restart(
    tmp_path: Path, version: str
) -> None:
    password_file = tmp_path / "password"
    password_file.write_text("wrong")
    with Broker(tmp_path, users={"processor": "right"}) as broker:
        settings = settings_for(broker, version, username="processor", password_file=password_file)  # type: ignore[arg-type]
        with refused(settings) as subscriber:
            assert "refuses the user name or the password" in subscriber.status().reason
            password_file.write_text("right")
            until(lambda: subscriber.status().connected)


def test_a_missing_password_file_is_reported(tmp_path: Path) -> None:
    with (
        Broker(tmp_path) as broker,
        refused(
            settings_for(broker, "5", username="processor", password_file=tmp_path / "none")
        ) as subscriber,
    ):
        assert str(tmp_path / "none") in subscriber.status().reason


def test_tls_verifies_the_name_of_the_host(tmp_path: Path) -> None:
    """The same certificate: valid for localhost and refused for 127.0.0.1; refused where the authority is another."""
    ours, theirs = Authority(tmp_path), Authority(tmp_path, "another authority")
    server = ours.issue("broker", hosts=["localhost"])
    with Broker(tmp_path, tls=Tls(ours.ca_file, server.cert_file, server.key_file)) as broker:
        trusting = TlsSettings(ca_file=ours.ca_file)
        with subscribed(settings_for(broker, "5", host="localhost", tls=trusting)) as subscriber:
            assert subscriber.status().connected
        with refused(settings_for(broker, "5", host="127.0.0.1", tls=trusting)) as subscriber:
            assert "IP address mismatch" in subscriber.status().reason
        with refused(
            settings_for(broker, "5", host="localhost", tls=TlsSettings(ca_file=theirs.ca_file))
        ) as subscriber:
            assert "certificate verify failed" in subscriber.status().reason
        with refused(settings_for(broker, "5", connect_timeout_s=1)) as subscriber:
            assert not subscriber.status().connected


def test_client_certificates_and_messages_over_tls(tmp_path: Path) -> None:
    """Without one we are refused; with one, 500 messages left for us come over TLS in order and none twice."""
    ca = Authority(tmp_path)
    server, client = ca.issue("broker", hosts=["127.0.0.1"]), ca.issue("processor")
    tls = Tls(ca.ca_file, server.cert_file, server.key_file, require_certificate=True)
    mine = TlsSettings(ca_file=ca.ca_file, cert_file=client.cert_file, key_file=client.key_file)
    with Broker(tmp_path, tls=tls, extra="use_identity_as_username true") as broker:
        with refused(settings_for(broker, "5", tls=TlsSettings(ca_file=ca.ca_file), connect_timeout_s=2)):
            pass
        with subscribed(settings_for(broker, "5", tls=mine)) as subscriber:
            sender = paho.Client(paho.CallbackAPIVersion.VERSION2)
            sender.tls_set(str(ca.ca_file), str(client.cert_file), str(client.key_file))
            sender.connect(broker.host, broker.port)
            sender.loop_start()
            for number in range(500):
                info = sender.publish("strikewatch/s/HB-01/samples", str(number).zfill(400), 1)
            info.wait_for_publish(10)
            sender.disconnect()
            sender.loop_stop()
            assert numbers(collect(subscriber, 500)) == list(range(500))
            assert subscriber.take(1, 0.2) == []


GATEWAYS = {"fennick-hollow/HB-01": "g1", "fennick-hollow/HB-02": "g2"}


@contextmanager
def repository_broker(folder: Path) -> Iterator[tuple[Broker, Settings]]:
    """A broker with config/mosquitto.conf and .acl, paths and ports apart, and the processor's settings for it."""
    made = Broker(folder, users=GATEWAYS)
    ports = {"1883": made.port, "1884": free_port()}
    conf = (CONFIG / "mosquitto.conf").read_text()
    for name, port in ports.items():
        conf = conf.replace(f"\nlistener {name}\n", f"\nlistener {port} 127.0.0.1\n")
    conf = conf.replace("/mosquitto/config/mosquitto.acl", str(CONFIG / "mosquitto.acl"))
    for name in ("config", "data"):
        conf = conf.replace(f"/mosquitto/{name}", str(made.folder))
    password_file = folder / "password"
    password_file.write_text("p")
    users = made.folder / "processor_passwords"
    users.write_text("processor:p\n")
    users.chmod(0o600)
    subprocess.run([need_program("mosquitto_passwd"), "-U", users], check=True, capture_output=True)
    conf += "\nuser root\nlog_dest stderr\n"
    with Broker(folder, port=made.port, users=GATEWAYS, conf=conf) as broker:
        yield (
            broker,
            settings_for(broker, "5", port=ports["1884"], username="processor", password_file=password_file),
        )


def send(broker: Broker, user: str, topic: str, payload: bytes) -> None:
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.username_pw_set(user, GATEWAYS[user])
    client.connect(broker.host, broker.port)
    client.loop_start()
    client.publish(topic, payload, 1).wait_for_publish(10)  # a denied one is confirmed, and dropped
    client.disconnect()
    client.loop_stop()


def test_the_repository_s_broker_configuration_keeps_gateways_apart(tmp_path: Path) -> None:
    """Each gateway publishes for its hammer only, the processor not at all, and nobody without a password."""
    with repository_broker(tmp_path) as (broker, known):
        with refused(settings_for(broker, "5")) as anonymous:
            assert "refuse" in anonymous.status().reason
        with subscribed(known) as subscriber:
            send(broker, "fennick-hollow/HB-02", "strikewatch/fennick-hollow/HB-01/samples", b"forged")
            send(broker, "fennick-hollow/HB-01", "strikewatch/fennick-hollow/HB-01/other", b"elsewhere")
            send(broker, "fennick-hollow/HB-01", "strikewatch/fennick-hollow/HB-01/samples", b"own samples")
            send(broker, "fennick-hollow/HB-01", "strikewatch/fennick-hollow/HB-01/events", b"own events")
            assert [m.payload for m in collect(subscriber, 2)] == [b"own samples", b"own events"]
            assert subscriber.take(1, 0.2) == []


def test_with_the_repository_s_broker_no_account_ends_the_session_of_another(tmp_path: Path) -> None:
    """A gateway that knows the processor's client id tries both listeners while messages are queued.

    Source: MQTT 5, 3.1.4: a clean start under a client id in use ends that session.
    """
    topic = "strikewatch/fennick-hollow/HB-01/samples"
    with repository_broker(tmp_path) as (broker, known):
        with subscribed(known):
            pass
        send(broker, "fennick-hollow/HB-01", topic, b"first")
        for port in (broker.port, known.port):
            thief = paho.Client(
                paho.CallbackAPIVersion.VERSION2,
                client_id=known.client_id,
                protocol=paho.MQTTProtocolVersion.MQTTv5,
            )
            thief.username_pw_set("fennick-hollow/HB-02", GATEWAYS["fennick-hollow/HB-02"])
            refusals: list[bool] = []
            thief.on_connect = lambda _c, _d, _f, code, _p, refusals=refusals: refusals.append(
                code.is_failure
            )
            thief.connect(broker.host, port, clean_start=True)
            until(lambda thief=thief, refusals=refusals: (thief.loop(0.05), refusals)[1])
            assert refusals == [port == known.port]
            thief.disconnect()
            thief.loop(0.05)
        broker.restart()
        send(broker, "fennick-hollow/HB-01", topic, b"second")
        with subscribed(known) as subscriber:
            assert subscriber.status().resumed
            assert [m.payload for m in collect(subscriber, 2)] == [b"first", b"second"]


@contextmanager
def scripted(*answers: bytes) -> Iterator[int]:
    """A port where each packet received is answered with the next of `answers`; the connection stays open."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            line, _ = server.accept()
            with line:
                for answer in answers:
                    line.recv(4096)
                    line.sendall(answer)
                while line.recv(4096):
                    pass

        thread = threading.Thread(target=serve)
        thread.start()
        yield server.getsockname()[1]
        thread.join(10)


CONNACK_5 = bytes([0x20, 3, 0, 0, 0])


def test_a_denied_subscription_is_visible() -> None:
    """Source: MQTT 3.1.1 section 3.9.3: 0x80 is a failure, 0x01 a grant of QoS 1."""
    with (
        scripted(bytes([0x20, 2, 0, 0]), bytes([0x90, 4, 0, 1, 0x80, 0x01])) as port,
        subscribed(
            Settings(host="127.0.0.1", port=port, version="3.1.1", client_id="strikewatch")
        ) as subscriber,
    ):
        status = subscriber.status()
        assert status.connected
        assert "denies a subscription: strikewatch/+/+/samples" in status.reason
        assert status.grants["strikewatch/+/+/events"] == "Granted QoS 1"


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_a_subscription_that_a_real_broker_denies_is_visible_beside_the_one_it_grants(
    tmp_path: Path, version: str
) -> None:
    with (
        Broker(tmp_path, extra=granting(tmp_path, "strikewatch/+/+/events")) as broker,
        subscribed(settings_for(broker, version)) as subscriber,  # type: ignore[arg-type]
    ):
        status = subscriber.status()
        assert status.connected
        assert "denies a subscription: strikewatch/+/+/samples" in status.reason
        assert status.grants["strikewatch/+/+/events"] == "Granted QoS 1"


def test_a_lesser_grant_is_visible(tmp_path: Path) -> None:
    with (
        Broker(tmp_path, extra="max_qos 0") as broker,
        subscribed(settings_for(broker, "5")) as subscriber,
    ):
        assert "only Granted QoS 0" in subscriber.status().reason


def test_mqtt_5_names_the_takeover_at_once() -> None:
    """Source: MQTT 5.0 section 3.14.2.1: DISCONNECT with reason code 0x8E, Session taken over."""
    suback = bytes([0x90, 5, 0, 1, 0, 1, 1])
    with scripted(CONNACK_5, suback + bytes([0xE0, 2, 0x8E, 0])) as port:
        subscriber = Subscriber(
            Settings(host="127.0.0.1", port=port, client_id="strikewatch", reconnect_min_s=20)
        )
        subscriber.start()
        until(lambda: subscriber.status().takeovers == 1)
        assert subscriber.status().reason == "another instance took over our session"
        subscriber.stop()


def test_a_broker_that_does_not_answer_is_given_up_on() -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        port = silent.getsockname()[1]
        settings = Settings(host="127.0.0.1", port=port, client_id="strikewatch", connect_timeout_s=0.3)
        with refused(settings) as subscriber:
            assert subscriber.status().reason == "the broker does not answer the connect"


@pytest.mark.parametrize(
    ("wrong", "place"),
    [
        ({"prefix": "a/+"}, "prefix"),
        ({"prefix": "/a"}, "prefix"),
        ({"version": "3.1"}, "version"),
        ({"password_file": "x"}, "username"),
        ({"tls": {"cert_file": "x"}}, "key_file"),
        ({"tls": {"check_hostname": False}}, "check_hostname"),
        ({"qos": 0}, "qos"),
    ],
)
def test_contradictory_settings_are_refused(wrong: dict[str, object], place: str) -> None:
    with pytest.raises(ValidationError, match=place):
        Settings.model_validate(wrong)
