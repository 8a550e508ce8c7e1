"""Web Push: alerts as notifications in a browser, also while no page is open.

RFC 8030 is the request to the browser's push service, RFC 8291 (with RFC 8188, aes128gcm) the encryption that only the
browser can undo, RFC 8292 the signature by which the push service knows us. Addresses come from browsers, so each is
checked as that of a webhook is (`address`).
"""

import base64
import hashlib
import json
import os
import struct
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote, urlsplit

from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import SettingsError, StoreError
from strikewatch.sinks import SendResult
from strikewatch.sinks.address import Resolver, system_resolver
from strikewatch.sinks.http_connection import HttpConnection, exchange
from strikewatch.sinks.settings import HttpTarget, PushSettings
from strikewatch.storage.actions.push_subscriptions import PushSubscription
from strikewatch.storage.outbox.digests import DIGEST
from strikewatch.storage.outbox.messages import TEST, Message

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey

TTL_S: Final = 4 * 3600
"""How long a push service keeps a message for a device that is off: an older alert is on the page."""
TOKEN_S: Final = 12 * 3600
"""How long a signature is valid; RFC 8292 allows at most 24 h."""
RECORD_SIZE: Final = 4096
"""RFC 8188: the size of a record. RFC 8030 obliges push services to take bodies of up to 4096 bytes."""
MOST_BYTES: Final = RECORD_SIZE - 103
"""The largest content: RFC 8291, section 4, takes 103 bytes of a record."""
MOST_TEXT: Final = 600
"""Characters of the text."""
GONE: Final = (404, 410)
"""Statuses of a subscription that has ended (RFC 8030, section 7.3)."""
MISSING: Final = "notifications need another library: pip install 'strikewatch[push]'"


def encode(data: bytes) -> str:
    """Return base64url without padding."""
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def decode(text: str) -> bytes:
    """Decode base64url with or without padding. Raises ValueError."""
    return base64.b64decode(
        text.rstrip("=").encode() + b"=" * (-len(text.rstrip("=")) % 4), b"-_", validate=True
    )


class SigningKey:
    """The key by which push services know this processor (RFC 8292), on the curve P-256."""

    def __init__(self, key: "EllipticCurvePrivateKey", contact: str | None) -> None:
        self._key = key
        self._contact = contact
        self.public = encode(_point(key))
        """The public key, base64url: browsers subscribe with it."""

    @staticmethod
    def load(settings: PushSettings) -> "SigningKey":
        """Load the key from its file, which is made if missing and readable by its owner only. Raises SettingsError."""
        try:
            from cryptography.hazmat.primitives.asymmetric import ec
            from cryptography.hazmat.primitives.serialization import (
                Encoding,
                NoEncryption,
                PrivateFormat,
                load_pem_private_key,
            )
        except ImportError:
            raise SettingsError([("push.enabled", MISSING)]) from None
        path = settings.key_file
        try:
            if not path.exists():
                made = ec.generate_private_key(ec.SECP256R1())
                _write_secret(path, made.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
            key = load_pem_private_key(path.read_bytes(), None)
            if not isinstance(key, ec.EllipticCurvePrivateKey) or not isinstance(key.curve, ec.SECP256R1):
                raise ValueError("it is not a key on the curve P-256")
        except (OSError, ValueError, TypeError) as error:
            remedy = "correct it, or remove it: then a new one is made, and browsers sign up anew"
            raise SettingsError([("push.key_file", f"cannot use {path}: {error}; {remedy}")]) from None
        return SigningKey(key, settings.contact)

    def authorization(self, url: str, now: Instant) -> str:
        """Return the value of Authorization for a request to an address at wall time `now`."""
        from cryptography.hazmat.primitives.asymmetric import ec, utils
        from cryptography.hazmat.primitives.hashes import SHA256

        parts = urlsplit(url)
        claims: dict[str, Any] = {"aud": f"{parts.scheme}://{parts.netloc}", "exp": now // SECOND + TOKEN_S}
        if self._contact is not None:
            claims["sub"] = self._contact
        head = encode(b'{"typ":"JWT","alg":"ES256"}')
        signed = f"{head}.{encode(json.dumps(claims, separators=(',', ':')).encode())}"
        r, s = utils.decode_dss_signature(self._key.sign(signed.encode(), ec.ECDSA(SHA256())))
        signature = encode(r.to_bytes(32, "big") + s.to_bytes(32, "big"))
        return f"vapid t={signed}.{signature}, k={self.public}"


def _write_secret(path: Path, content: bytes) -> None:
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def check_keys(public_key: str, auth: str) -> None:
    """Check the keys of a browser. Raises ValueError."""
    from cryptography.hazmat.primitives.asymmetric import ec

    ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), decode(public_key))
    if len(decode(auth)) != 16:
        raise ValueError("the secret has 16 bytes")


def encrypt(
    content: bytes,
    public_key: bytes,
    auth: bytes,
    sender: "EllipticCurvePrivateKey | None" = None,
    salt: bytes | None = None,
) -> bytes:
    """Encrypt a message for a browser (RFC 8291, section 3.4) as one record of RFC 8188.

    Args:
        content: at most `MOST_BYTES`.
        public_key: the browser's, an uncompressed point of P-256, 65 bytes.
        auth: the secret that the browser shares with us, 16 bytes.
        sender, salt: a new key and 16 random bytes if left out, as they must be but for tests.
    """
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM
    from cryptography.hazmat.primitives.hashes import SHA256
    from cryptography.hazmat.primitives.kdf.hkdf import HKDF

    sender = sender or ec.generate_private_key(ec.SECP256R1())
    salt = salt or os.urandom(16)
    ours = _point(sender)
    receiver = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), public_key)
    shared = sender.exchange(ec.ECDH(), receiver)
    info = b"WebPush: info\0" + public_key + ours
    secret = HKDF(SHA256(), 32, auth, info).derive(shared)
    key = HKDF(SHA256(), 16, salt, b"Content-Encoding: aes128gcm\0").derive(secret)
    nonce = HKDF(SHA256(), 12, salt, b"Content-Encoding: nonce\0").derive(secret)
    last_record = content + b"\2"
    return (
        salt
        + struct.pack("!IB", RECORD_SIZE, len(ours))
        + ours
        + AESGCM(key).encrypt(nonce, last_record, None)
    )


def _point(key: "EllipticCurvePrivateKey") -> bytes:
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    return key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)


def notification(message: Message) -> dict[str, Any]:
    """Return what the browser shows of a message: title, text, the page that a tap opens.

    A later message with the same tag replaces the earlier one, so an alert has one notification. The end of an alert
    makes no sound.
    """
    record = json.loads(message.body)
    if message.step == TEST:
        title, text, page = "Strikewatch", "Notifications work on this device.", "/choices"
    elif message.step == DIGEST:
        title, text, page = record["site"], record["summary"], "/"
    else:
        title = " · ".join(name for name in (record["hammer"], record["site"]) if name)
        text = f"Ended: {record['summary']}" if message.step == "cleared" else record["summary"]
        page = f"/alerts/{quote(record['site'], safe='')}/{record['id']}"
    return {
        "title": title,
        "body": text if len(text) <= MOST_TEXT else f"{text[: MOST_TEXT - 1]}…",
        "tag": f"{message.site}/{message.alert_id}",
        "url": page,
        "silent": message.step == "cleared",
    }


def fit(shown: dict[str, Any]) -> bytes:
    """Return a notification as JSON that fits into one record, whatever the names in it."""
    content = json.dumps(shown, ensure_ascii=False).encode()
    if len(content) > MOST_BYTES:
        short = {**shown, "title": shown["title"][:60], "body": shown["body"][:200], "url": "/"}
        content = json.dumps({**short, "tag": hashlib.sha256(shown["tag"].encode()).hexdigest()}).encode()
    return content


class PushSender:
    """Posts to the push service of one browser. `is_valid` returns whether its token still is."""

    def __init__(
        self,
        subscription: PushSubscription,
        settings: PushSettings,
        key: SigningKey,
        is_valid: Callable[[], bool],
        resolve: Resolver = system_resolver,
    ) -> None:
        self._subscription = subscription
        self._key = key
        self._is_valid = is_valid
        self._timeout_s = settings.timeout_s
        target = HttpTarget(
            url=subscription.url, allow_private=settings.allow_private, timeout_s=settings.timeout_s
        )
        self._connection = HttpConnection(target, resolve)

    def send(self, message: Message, now: Instant) -> SendResult:
        """Post a message of the outbox, once."""
        try:
            if not self._is_valid():
                return SendResult(False, "the token of this browser was revoked", gone=True)
        except StoreError as error:
            return SendResult(False, f"whether its token is valid is not known: {error}"[:200])
        to = self._subscription
        content = fit(notification(message))
        topic = hashlib.sha256(f"{message.site}/{message.alert_id}".encode()).digest()
        headers = {
            "authorization": self._key.authorization(to.url, now),
            "content-encoding": "aes128gcm",
            "content-type": "application/octet-stream",
            "ttl": str(TTL_S),
            "urgency": "low" if message.step == "cleared" else "high",
            "topic": encode(topic)[:32],  # the push service drops an older message of this alert
        }
        body = encrypt(content, decode(to.public_key), decode(to.auth))
        self._connection.set_deadline(time.monotonic() + self._timeout_s)
        return exchange(self._connection, headers, body, now, GONE)

    def idle(self) -> None:
        """Close the connection: alerts are rare, and one browser's push service need not be held."""
        self._connection.close()

    def close(self) -> None:
        self._connection.close()
