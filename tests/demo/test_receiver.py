"""The webhook receiver over real HTTP: signed messages are passed on once, everything else is refused."""

import json
import threading
from collections.abc import Iterator
from typing import Any

import pytest
import standardwebhooks
import urllib3

from strikewatch.demo.receiver import MAX_BODY_BYTES, Receiver
from strikewatch.sinks import webhook
from strikewatch.sinks.settings import decode_secret

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
NOW_S = 1_614_265_330.0
RECORD = {"id": "a1", "fault": "same_spot", "site": "fennick-hollow", "hammer": "HB-03", "operator": "op-12"}
EVENT = {"specversion": "1.0", "type": "strikewatch.alert.raised", "id": "m1", "data": RECORD}


class Recorder:
    """Records the alerts that arrive; `fail` makes the next call fail."""

    def __init__(self) -> None:
        self.seen: list[tuple[str, dict[str, Any]]] = []
        self.fail = False

    def __call__(self, step: str, record: dict[str, Any]) -> None:
        if self.fail:
            self.fail = False
            raise RuntimeError("no screen")
        self.seen.append((step, record))


@pytest.fixture
def recorder() -> Recorder:
    return Recorder()


@pytest.fixture
def receiver(recorder: Recorder) -> Iterator[Receiver]:
    with Receiver(SECRET, recorder, now_s=lambda: NOW_S) as started:
        yield started


def post(receiver: Receiver, headers: dict[str, str], body: bytes) -> int:
    with urllib3.PoolManager() as pool:
        return int(
            pool.request("POST", receiver.url, body=body, headers=headers, retries=False, timeout=60).status
        )


def signed(body: bytes, name: str = "m1", at_s: int = int(NOW_S)) -> dict[str, str]:
    return webhook.headers([decode_secret(SECRET)], name, at_s, body)


BODY = json.dumps(EVENT).encode()


def test_signed_message_reaches_the_callback(receiver: Receiver, recorder: Recorder) -> None:
    assert post(receiver, signed(BODY), BODY) == 204
    assert recorder.seen == [("raised", RECORD)]
    assert receiver.refused == 0


def test_signature_of_the_reference_library_is_accepted(receiver: Receiver, recorder: Recorder) -> None:
    """`standardwebhooks`, the reference implementation, signs; we accept."""
    import datetime

    at = datetime.datetime.fromtimestamp(NOW_S, datetime.UTC)
    signature = standardwebhooks.Webhook(SECRET).sign("m7", at, BODY.decode())
    headers = {"webhook-id": "m7", "webhook-timestamp": str(int(NOW_S)), "webhook-signature": signature}
    assert post(receiver, headers, BODY) == 204
    assert len(recorder.seen) == 1


def test_duplicates_succeed_and_are_passed_on_once(receiver: Receiver, recorder: Recorder) -> None:
    assert [post(receiver, signed(BODY), BODY) for _ in range(3)] == [204, 204, 204]
    assert post(receiver, signed(BODY, "m2"), BODY) == 204
    assert len(recorder.seen) == 2


@pytest.mark.parametrize(
    ("headers", "body"),
    [
        ({}, BODY),
        (signed(BODY), BODY + b" "),
        (signed(BODY) | {"webhook-id": "m9"}, BODY),
        (signed(BODY, at_s=int(NOW_S) - 301), BODY),
    ],
    ids=["unsigned", "changed body", "changed id", "stale"],
)
def test_an_invalid_signature_is_refused(
    receiver: Receiver, recorder: Recorder, headers: dict[str, str], body: bytes
) -> None:
    assert post(receiver, headers, body) == 401
    assert receiver.refused == 1
    assert recorder.seen == []


@pytest.mark.parametrize("body", [b"not json", b"\xff\xfe", b"[]", b"{}"])
def test_a_signed_but_invalid_body_is_a_bad_request(
    receiver: Receiver, recorder: Recorder, body: bytes
) -> None:
    assert post(receiver, signed(body), body) == 400
    assert recorder.seen == []


def test_a_failing_callback_lets_the_sender_retry(receiver: Receiver, recorder: Recorder) -> None:
    recorder.fail = True
    assert [post(receiver, signed(BODY), BODY) for _ in range(2)] == [500, 204]
    assert len(recorder.seen) == 1


def test_bodies_too_large_or_without_length_are_rejected_unread(receiver: Receiver) -> None:
    too_many = {"content-length": str(MAX_BODY_BYTES + 1)}
    assert post(receiver, too_many, b"") == 413
    with urllib3.PoolManager() as pool:
        chunked = pool.request(
            "POST", receiver.url, body=iter([b"{}"]), chunked=True, retries=False, timeout=60
        )
    assert chunked.status == 411


def test_connection_is_kept_alive_between_messages(receiver: Receiver, recorder: Recorder) -> None:
    with urllib3.HTTPConnectionPool("127.0.0.1", int(receiver.url.split(":")[2].split("/")[0])) as pool:
        for number in range(3):
            pool.request("POST", "/alerts", body=BODY, headers=signed(BODY, f"m{number}"), retries=False)
        assert pool.num_connections == 1
    assert len(recorder.seen) == 3


def test_ends_with_its_context() -> None:
    with Receiver(SECRET, Recorder()) as receiver:
        url = receiver.url
    assert not [thread for thread in threading.enumerate() if thread.name == "receiver"]
    with urllib3.PoolManager() as pool, pytest.raises(urllib3.exceptions.NewConnectionError):
        pool.request("POST", url, retries=False, timeout=1)
