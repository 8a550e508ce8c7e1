"""The dead man's heartbeat: a signed post every so often while all is well, so that its absence tells.

It does not go through the outbox and is not tried again: a beat that comes late says that all is well when it may not
be. Whoever receives it should raise the alarm after missing about three.
"""

import json
import threading
from collections.abc import Callable, Mapping
from typing import Any, Final
from uuid import uuid4

import structlog

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.sinks.http_post import Poster
from strikewatch.sinks.settings import HeartbeatSettings as Settings
from strikewatch.sinks.target import read_secrets

TYPE: Final = "strikewatch.heartbeat"
_log: Final = structlog.get_logger("heartbeat")


def beat(name: str, every_s: float, now: Instant, state: Mapping[str, Any]) -> bytes:
    """The CloudEvents event of one beat, in UTF-8. `state` is what the processor says of itself."""
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
    """The thread that beats. `healthy` tells what the processor says of itself, None while not all is well.

    `wait(s)` waits for up to s and tells whether to stop; `failed` is called, from the thread, if it dies.
    Raises SettingsError where the secret cannot be read.
    """

    def __init__(
        self,
        settings: Settings,
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
        self._trouble = ""
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)
        self.start = self._thread.start

    def join(self) -> None:
        """Wait for the end, once `wait` has told to stop."""
        if self._thread.ident is not None:
            self._thread.join()

    def _run(self) -> None:
        try:
            while not self._wait(self._settings.every_s):
                state = self._healthy()
                if state is not None and self._gone(state):
                    return
        except BaseException as error:  # noqa: BLE001  # a dead heart must be seen, whatever killed it
            self._failed(error)
        finally:
            self._poster.close()

    def _gone(self, state: Mapping[str, Any]) -> bool:
        """One beat; whether the receiver wants no more."""
        now, name = self._wall(), uuid4().hex
        answer = self._poster.post(name, beat(name, self._settings.every_s, now, state), now)
        if answer.gone:
            _log.error(
                "heartbeat_off", outcome=answer.words, remedy="the receiver says that it is gone for good"
            )
        elif not answer.taken and not self._trouble:
            _log.warning("heartbeat_not_taken", outcome=answer.words, story=answer.story)
        elif answer.taken and self._trouble:
            _log.info("heartbeat_taken_again")
        self._trouble = "" if answer.taken else answer.words
        return answer.gone
