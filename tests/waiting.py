"""Wait for a condition, with a limit that is reached only if it never comes true, not on a busy machine."""

import time
from collections.abc import Callable
from typing import Any, Final

LIMIT_S: Final = 120.0


def until(what: Callable[[], Any], within_s: float = LIMIT_S, every_s: float = 0.02) -> Any:
    """Wait until `what` returns something true, and return it."""
    deadline = time.monotonic() + within_s
    while not (value := what()):
        assert time.monotonic() < deadline, "did not come true in time"
        time.sleep(every_s)
    return value
