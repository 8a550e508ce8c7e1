"""The heartbeat: a signed POST at regular intervals while the processor is healthy, so that its absence is a signal.

It does not go through the outbox and is not retried: a late heartbeat would report health that may have ended. The
receiver should raise an alarm after about three missing heartbeats.
"""

import json
import threading
from collections.abc import Callable, Mapping
from typing import Any, Final
from uuid import uuid4

import structlog

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.sinks.settings import HeartbeatSettings, read_secrets
from strikewatch.sinks.webhook import Poster

TYPE: Final = "strikewatch.heartbeat"
_log: Final = structlog.get_logger("heartbeat")


def heartbeat_event(name: str, every_s: float, now: Instant, state: Mapping[str, Any]) -> bytes:
    """Return the CloudEvents event of one heartbeat, in UTF-8. `state`: what the processor reports of itself."""
    event = {
        "specversion": "1.0",
        "id": name,
        "source": "/strikewatch",
        "type": TYPE,
        "time": instant.text(now),
        "datacontenttype": "application/json",
        "data": {"every_s": every_s, **state},
    }
    return json.dumps(event, separators=(",", ":")).encode()


class Heartbeat:
    """The thread that sends heartbeats. `healthy` returns what the processor reports of itself; None: not healthy.

    `wait(s)` waits for up to s and returns whether to stop; `failed` is called, from the thread, if it dies.
    Raises SettingsError if the secret cannot be read.
    """

    def __init__(
        self,
        settings: HeartbeatSettings,
        healthy: Callable[[], Mapping[str, Any] | None],
        wall: Callable[[], Instant],
        wait: Callable[[float], bool],
        failed: Callable[[BaseException], None],
    ) -> None:
        self._settings = settings
        self._healthy = healthy
        self._wall = wall
        self._wait = wait
        self._failed = failed
        self._poster = Poster(settings, read_secrets(settings, "heartbeat"))
        self._last_failure = ""
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)
        self.start = self._thread.start

    def join(self) -> None:
        """Wait for the thread to end, after `wait` has returned True."""
        if self._thread.ident is not None:
            self._thread.join()

    def _run(self) -> None:
        try:
            while not self._wait(self._settings.every_s):
                state = self._healthy()
                if state is not None and self._send(state):
                    return
        except BaseException as error:  # noqa: BLE001  # any error that ends the thread must be reported
            self._failed(error)
        finally:
            self._poster.close()

    def _send(self, state: Mapping[str, Any]) -> bool:
        """Send one heartbeat; return whether the receiver is gone for good."""
        now, name = self._wall(), uuid4().hex
        result = self._poster.post(name, heartbeat_event(name, self._settings.every_s, now, state), now)
        if result.gone:
            _log.error(
                "heartbeat_off", outcome=result.summary, remedy="the receiver says that it is gone for good"
            )
        elif not result.delivered and not self._last_failure:
            _log.warning("heartbeat_failed", outcome=result.summary, trace=result.trace)
        elif result.delivered and self._last_failure:
            _log.info("heartbeat_recovered")
        self._last_failure = "" if result.delivered else result.summary
        return result.gone
