"""What the README tells receivers to do, done."""

import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from strikewatch.sinks import webhook
from strikewatch.sinks.target import key_of
from tests.sinks.yard import SECRET

README = Path(__file__).parents[2] / "README.md"
BODY = b'{"type": "strikewatch.test"}'


@pytest.fixture
def verify() -> Callable[[dict[str, str], bytes, str], Any]:
    """The code block as it stands there."""
    found = re.search(r"<!-- verify -->\n```python\n(.*?)```", README.read_text(), re.DOTALL)
    assert found is not None
    names: dict[str, Any] = {}
    exec(found[1], names)
    told: Callable[[dict[str, str], bytes, str], Any] = names["verify"]
    return told


def test_the_verifier_takes_what_we_send_and_nothing_else(verify: Callable[..., Any]) -> None:
    now = int(time.time())
    keys = [bytes(32), key_of(SECRET)]
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
