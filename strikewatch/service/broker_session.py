"""Watch the session at the broker, and raise alerts when it is lost or when its client id is in use.

The broker queues messages in the session while the processor is away. If it no longer has the session, what it queued
is gone, and no message says so.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

import structlog

from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.self_alerts import (
    CLIENT_ID_IN_USE,
    SESSION_CLEAR_DELAY_NS,
    SESSION_LOST,
    SelfAlert,
)
from strikewatch.sinks.log import log_changes
from strikewatch.sources.mqtt import Status

_log: Final = structlog.get_logger("live")

SAVE_EVERY_NS: Final = 60 * SECOND
"""How often the time at which the broker held the session is saved, with a step."""
NOT_WATCHED: Final = Status(connected=False, since_ns=0, reason="not watched")


class SessionWatch:
    """Used by the worker's thread only.

    `status` returns the state of the connection. `held`: wall time at which the broker is known to have held the
    session, None if it never did. `doubt_ns`: how long a dead connection may go unnoticed.
    """

    def __init__(
        self,
        status: Callable[[], Status] = lambda: NOT_WATCHED,
        held: Instant | None = None,
        doubt_ns: int = 0,
    ) -> None:
        self._status = status
        self.held = held
        """When the broker last held the session, as far as is known."""
        self._doubt_ns = doubt_ns
        self._saved = held
        self.unsaved: Instant | None = None
        """`held`, to be saved with this step; None if what is saved is recent enough."""
        self.must_save = False
        """Whether the session is new, so that a step is needed even without messages."""
        self._new_sessions = 0
        self._lost = SelfAlert(SESSION_LOST, SESSION_CLEAR_DELAY_NS)
        self._in_use = SelfAlert(CLIENT_ID_IN_USE)

    def restore(self, record: Mapping[str, Any], onset: Instant) -> bool:
        """Continue with an alert that an earlier run raised; return whether it is one of this kind."""
        for alert, fault in ((self._lost, SESSION_LOST), (self._in_use, CLIENT_ID_IN_USE)):
            if record["fault"] == fault.name:
                alert.restore(record["site"], onset, record["evidence"])
                return True
        return False

    def check(
        self,
        now: Instant,
        monotonic: Instant,
        hammers: Iterable[Key],
        newest_row: Callable[[Key], Instant],
    ) -> list[Change]:
        """Return the changes of the alerts to be stored with this step, at the wall time `now`.

        `newest_row` returns the time of a hammer's newest row.
        """
        status = self._status()
        lost = status.new_sessions - self._new_sessions - (self.held is None) > 0
        since = now if self.held is None else self.held - self._doubt_ns

        newest: dict[str, Instant] = {}
        if lost or status.in_use:
            for key in hammers:
                newest[key[0]] = max(newest_row(key), newest.get(key[0], 0))

        def evidence(site: str) -> dict[str, str]:
            # A backlog that was being delivered is older than the connection.
            began = min(since, newest.get(site) or since)
            return {"missing_since": _text(began), "missing_until": _text(now)}

        if lost:
            _log.error("session_lost", missing_since=_text(since), missing_until=_text(now))
        if status.new_sessions != self._new_sessions:
            self._new_sessions, self._saved, self.held = status.new_sessions, None, now
        elif status.connected:
            self.held = now
        saved = self._saved
        recent = self.held is None or (saved is not None and self.held - saved < SAVE_EVERY_NS)
        self.unsaved = None if recent else self.held
        self.must_save = self.held is not None and saved is None
        if not (lost or status.in_use or self._lost.active or self._in_use.active):
            return []
        changes = [
            *self._lost.update(lost, newest, now, monotonic, evidence),
            *self._in_use.update(status.in_use, newest, now, monotonic),
        ]
        if changes:
            log_changes(changes)
        return changes

    def stored(self, held: Instant) -> None:
        """Note that a step was committed with `held`."""
        self._saved, self.unsaved, self.must_save = held, None, False


def _text(at: Instant) -> str:
    """Format to the second, as people read it."""
    return f"{instant.text(at)[:19]}Z"
