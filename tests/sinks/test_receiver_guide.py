"""The receiver code of the guide verifies what is sent."""

import time
from collections.abc import Callable
from typing import Any

import pytest

from strikewatch.sinks import webhook
from strikewatch.sinks.settings import decode_secret
from tests.guide.documents import marked
from tests.sinks.bench import SECRET

BODY = b'{"type": "strikewatch.test"}'


@pytest.fixture
def verify() -> Callable[[dict[str, str], bytes, str], Any]:
    """The code block as it stands there."""
    names: dict[str, Any] = {}
    exec(marked("receivers.md", "verify"), names)
    told: Callable[[dict[str, str], bytes, str], Any] = names["verify"]
    return told


def test_the_verifier_takes_what_we_send_and_nothing_else(verify: Callable[..., Any]) -> None:
    now = int(time.time())
    keys = [bytes(32), decode_secret(SECRET)]
    headers = webhook.headers(keys, "m1", now, BODY)
    assert verify(headers, BODY, SECRET) == {"type": "strikewatch.test"}
    stale = webhook.headers(keys, "m1", now - 400, BODY)
    forged = webhook.headers(keys[:1], "m1", now, BODY)
    for bad, body in (
        (stale, BODY),
        (forged, BODY),
        (headers, BODY + b" "),
        (headers | {"webhook-id": "m2"}, BODY),
    ):
        with pytest.raises(PermissionError):
            verify(bad, body, SECRET)
