"""Notifications reach a browser through the outbox, readable by it alone, and end with it or with its token."""

import json
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric import ec, utils
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.core.alert import Alert, Change
from strikewatch.core.instant import SECOND
from strikewatch.errors import SettingsError
from strikewatch.service.push import PushEndpoints
from strikewatch.settings.tree import load
from strikewatch.sinks.dispatcher import Dispatcher
from strikewatch.sinks.settings import PushSettings
from strikewatch.sinks.web_push import MOST_BYTES, SigningKey, decode, encode, fit, notification
from strikewatch.storage.actions import tokens
from strikewatch.storage.actions.push_subscriptions import PushSubscription
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Message
from tests.profiles import examples
from tests.receiver import Answer, Received, Receiver
from tests.waiting import until

SITE, OTHER = "fennick-hollow", "marl-end"
NOW = time.time_ns()


class Browser:
    """What a browser keeps to itself, and how it reads a message (RFC 8291, RFC 8188)."""

    def __init__(self, url: str) -> None:
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._auth = os.urandom(16)
        self.url = url
        self.public = self._key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)

    def subscription(self, who: str = "Ada", lowest: Any = "low") -> PushSubscription:
        return PushSubscription(who, self.url, encode(self.public), encode(self._auth), lowest, NOW)

    def read(self, body: bytes) -> dict[str, Any]:
        salt, size, length = body[:16], int.from_bytes(body[16:20], "big"), body[20]
        assert len(body) <= size == 4096
        sender = body[21 : 21 + length]
        shared = self._key.exchange(
            ec.ECDH(), ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), sender)
        )
        info = b"WebPush: info\0" + self.public + sender
        secret = HKDF(SHA256(), 32, self._auth, info).derive(shared)
        key = HKDF(SHA256(), 16, salt, b"Content-Encoding: aes128gcm\0").derive(secret)
        nonce = HKDF(SHA256(), 12, salt, b"Content-Encoding: nonce\0").derive(secret)
        content = AESGCM(key).decrypt(nonce, body[21 + length :], None)
        assert content[-1] == 2
        shown: dict[str, Any] = json.loads(content[:-1])
        return shown


def verified_claims(received: Received, public_key: str) -> dict[str, Any]:
    """The claims of a signature, verified as a push service does (RFC 8292, RFC 7515)."""
    scheme, _, parts = received.headers["authorization"].partition(" ")
    fields = dict(part.strip().split("=", 1) for part in parts.split(","))
    assert (scheme, fields["k"]) == ("vapid", public_key)
    head, claims, signature = fields["t"].split(".")
    assert json.loads(decode(head)) == {"typ": "JWT", "alg": "ES256"}
    raw = decode(signature)
    assert len(raw) == 64
    der = utils.encode_dss_signature(int.from_bytes(raw[:32], "big"), int.from_bytes(raw[32:], "big"))
    key = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), decode(public_key))
    key.verify(der, f"{head}.{claims}".encode(), ec.ECDSA(SHA256()))
    found: dict[str, Any] = json.loads(decode(claims))
    return found


class Bench:
    """A store, its dispatcher, and the browsers that it delivers to."""

    def __init__(self, folder: Path, **push: Any) -> None:
        self.settings = load(
            given={
                "store": {"path": str(folder / "watch.db"), "reserve_mib": 0},
                "push": {
                    "enabled": True,
                    "key_file": str(folder / "push.key"),
                    "contact": "mailto:office@site.example",
                    "allow_private": ("127.0.0.0/8",),
                    "retry_s": (0.05, 0.05, 0.05),
                    **push,
                },
            }
        )
        self.store = Store(folder / "watch.db")
        self.dispatcher = Dispatcher(self.store, [], time.time_ns, time.monotonic_ns)
        self.push = PushEndpoints(self.settings, self.store, self.dispatcher, time.time_ns)
        self.dispatcher.start()

    def token(self, name: str, sites: list[str] | None = None) -> None:
        with self.store.write() as connection:
            tokens.add(connection, name, "act", NOW, sites)

    def alert(self, step: Any, hammer: str = "HB-01", site: str = SITE, priority: Any = "medium") -> str:
        cleared = NOW + SECOND if step == "cleared" else None
        alert = Alert(
            "same_spot", site, hammer, "op-14", priority, NOW, cleared, False, lambda: ({}, "Fired 15 s.")
        )
        change = Change(step, site, hammer, alert.id, alert.record(), NOW, cleared)
        self.store.commit(StepRecord(time.time_ns(), changes=[change]))
        self.dispatcher.wake()
        return alert.id

    def query(self, sql: str) -> list[Any]:
        from sqlalchemy import text

        with self.store.read() as connection:
            return [tuple(row) for row in connection.execute(text(sql))]

    def close(self) -> None:
        self.dispatcher.stop()
        self.store.close()


@contextmanager
def bench(folder: Path, **push: Any) -> Iterator[Bench]:
    made = Bench(folder, **push)
    try:
        yield made
    finally:
        made.close()
        assert made.dispatcher.failure is None


def test_an_alert_is_one_notification_in_order_that_only_the_browser_can_read(tmp_path: Path) -> None:
    """The push service fails at first; what follows the raise waits for it."""
    with Receiver(b"", [503, 201]) as service, bench(tmp_path) as made:
        made.token("Ada")
        browser = Browser(service.url)
        made.push.subscribe(browser.subscription())
        ident = made.alert("raised")
        made.alert("cleared")
        received = service.wait_for(3)
        shown = [browser.read(one.body) for one in received]
        assert [(one["body"], one["silent"]) for one in shown] == [
            ("Fired 15 s.", False),
            ("Fired 15 s.", False),
            ("Ended: Fired 15 s.", True),
        ]
        assert {one["tag"] for one in shown} == {f"{SITE}/{ident}"}
        assert {one["url"] for one in shown} == {f"/alerts/{SITE}/{ident}"}
        assert {one["title"] for one in shown} == {f"HB-01 · {SITE}"}
        assert len({one.headers["topic"] for one in received}) == 1
        assert len(received[0].headers["topic"]) == 32  # RFC 8030, section 5.4: at most 32 of base64url
        assert all(one.headers["ttl"].isdecimal() for one in received)
        for one in received:
            assert one.headers["content-encoding"] == "aes128gcm"
            assert b"Fired" not in one.body
            claims = verified_claims(one, made.push.public_key)
            assert claims["aud"] == service.url.partition("/alerts")[0]
            assert claims["sub"] == "mailto:office@site.example"
            assert time.time() < claims["exp"] < time.time() + 86_400


@pytest.mark.parametrize("status", [404, 410])
def test_a_browser_that_is_gone_is_removed_and_gets_nothing_more(tmp_path: Path, status: int) -> None:
    with Receiver(b"", [status]) as service, bench(tmp_path) as made:
        made.token("Ada")
        made.push.subscribe(Browser(service.url).subscription())
        made.alert("raised")
        until(lambda: not made.query("select 1 from push_subscriptions"))
        until(lambda: not made.query("select 1 from endpoints"))
        made.alert("raised", "HB-02")
        assert made.query("select state, count(*) from outbox group by state") == [("parked", 1)]
        assert made.dispatcher.switched_off == {}
        assert len(service.received) == 1


def test_a_revoked_token_ends_the_notifications_of_its_browsers(tmp_path: Path) -> None:
    with Receiver(b"") as service, bench(tmp_path) as made:
        for name in ("Ada", "Bo"):
            made.token(name)
        ours, theirs = Browser(service.url), Browser(service.url + "&other=1")
        made.push.subscribe(ours.subscription("Ada"))
        made.push.subscribe(theirs.subscription("Bo"))
        with made.store.write() as connection:
            tokens.revoke(connection, "Ada", NOW)
        made.alert("raised")
        until(lambda: made.query("select who from push_subscriptions") == [("Bo",)])
        (received,) = service.wait_for(1)
        assert theirs.read(received.body)["body"] == "Fired 15 s."
        assert len(service.received) == 1


def test_a_browser_gets_the_sites_of_its_token_and_the_priorities_it_wants(tmp_path: Path) -> None:
    with Receiver(b"") as service, bench(tmp_path) as made:
        made.token("Ada", [SITE])
        browser = Browser(service.url)
        made.push.subscribe(browser.subscription(lowest="medium"))
        made.alert("raised", "HB-01", OTHER, "high")
        made.alert("raised", "HB-02", SITE, "low")
        made.alert("raised", "HB-03", SITE, "medium")
        (received,) = service.wait_for(1)
        assert browser.read(received.body)["title"] == f"HB-03 · {SITE}"
        assert made.query("select count(*) from outbox") == [(1,)]


def test_a_restart_delivers_what_waited_and_browsers_keep_the_key(tmp_path: Path) -> None:
    with Receiver(b"", [Answer(503, {"retry-after": "1"}), 201]) as service:
        browser = Browser(service.url)
        with bench(tmp_path) as made:
            made.token("Ada")
            made.push.subscribe(browser.subscription())
            made.alert("raised")
            service.wait_for(1)
            key = made.push.public_key
        assert (tmp_path / "push.key").stat().st_mode & 0o777 == 0o600
        with bench(tmp_path) as made:
            made.push.restore()
            assert made.push.public_key == key
            received = service.wait_for(2)
        assert browser.read(received[1].body)["body"] == "Fired 15 s."


def test_a_test_reaches_the_browser_and_a_removed_one_gets_none(tmp_path: Path) -> None:
    with Receiver(b"") as service, bench(tmp_path) as made:
        made.token("Ada")
        browser = Browser(service.url)
        made.push.subscribe(browser.subscription())
        name = browser.subscription().name
        made.push.queue_test(name)
        (received,) = service.wait_for(1)
        assert "work on this device" in browser.read(received.body)["body"]
        assert made.push.find("Ada", name) is not None
        assert made.push.find("Bo", name) is None
        made.push.remove(name, "no longer wanted")
        made.alert("raised")
        assert made.query("select count(*) from outbox where step = 'raised'") == [(0,)]


def test_an_address_that_may_not_be_connected_to_is_never_posted_to(tmp_path: Path) -> None:
    with Receiver(b"") as service, bench(tmp_path, allow_private=()) as made:
        made.token("Ada")
        made.push.subscribe(Browser(service.url).subscription())
        made.alert("raised")
        until(lambda: made.query("select 1 from outbox where last_outcome like '%this machine itself%'"))
        assert service.received == []


def test_a_file_that_holds_no_key_is_named_and_kept(tmp_path: Path) -> None:
    path = tmp_path / "push.key"
    path.write_text("something else")
    with pytest.raises(SettingsError, match=r"push\.key_file: cannot use .*push\.key"):
        SigningKey.load(PushSettings(key_file=path))
    assert path.read_text() == "something else"


@given(st.text(max_size=200), st.text(max_size=200), st.text(max_size=3000))
@settings(max_examples=examples(25), deadline=None)
def test_every_notification_fits_into_one_message(site: str, hammer: str, summary: str) -> None:
    record = {"id": "0" * 24, "site": site, "hammer": hammer, "summary": summary}
    message = Message(1, site, "0" * 24, 0, NOW, "name", "raised", json.dumps(record), NOW)
    content = fit(notification(message))
    assert len(content) <= MOST_BYTES
    assert set(json.loads(content)) == {"title", "body", "tag", "url", "silent"}
