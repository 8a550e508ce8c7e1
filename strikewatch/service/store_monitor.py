"""The alerts about the processor's own database: its disk is full, or it refuses for longer than a moment.

They must be sent while the database cannot be written: they are logged and sent to every endpoint at once, and stored
with the step that waits.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

from strikewatch.core.alert import Change
from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.self_alerts import DATABASE_UNAVAILABLE, DISK_FULL, SelfAlert
from strikewatch.errors import StoreError, StoreLost
from strikewatch.sinks.log import log_changes
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Message, queued_messages

SendUrgent = Callable[[Sequence[tuple[str, Message]]], None]
"""Called with (endpoint, message) to be sent before they are stored."""

UNAVAILABLE_NS: Final = 10 * SECOND
"""Shorter refusals, such as while the database is copied, raise no alert."""


class StoreMonitor:
    """Raises and clears the alerts; used by the worker's thread only. `monotonic` returns ns."""

    def __init__(self, store: Store, send_urgent: SendUrgent, monotonic: Callable[[], Instant]) -> None:
        self._store = store
        self._send_urgent = send_urgent
        self._monotonic = monotonic
        self._disk_full = SelfAlert(DISK_FULL)
        self._unavailable = SelfAlert(DATABASE_UNAVAILABLE)
        self._refusing_since: Instant | None = None
        self._unsent: list[Change] = []

    def restore(self, record: Mapping[str, Any], onset: Instant) -> bool:
        """Continue with an alert that an earlier run raised; return whether it is one of this kind."""
        for alert, fault in ((self._disk_full, DISK_FULL), (self._unavailable, DATABASE_UNAVAILABLE)):
            if record["fault"] == fault.name:
                alert.restore(record["site"], onset)
                return True
        return False

    def check(self, now: Instant, hammers: Iterable[Key]) -> list[Change]:
        """Check the disk; return the changes of the alerts to be stored with this step, at the wall time `now`."""
        if self._store.disk_warning is not None:
            self._store.check_disk_space()
        full = self._store.disk_warning is not None
        monotonic = self._monotonic()
        since = self._refusing_since
        unavailable = not full and since is not None and monotonic - since >= UNAVAILABLE_NS
        sites = {site for site, _ in hammers} if full or unavailable else ()
        changes = [
            *self._disk_full.update(full, sites, now, monotonic),
            *self._unavailable.update(unavailable, sites, now, monotonic),
        ]
        if changes:
            log_changes(changes)
        self._unsent += changes
        return changes

    def after_refusal(self, now: Instant, hammers: Iterable[Key]) -> list[Change]:
        """Check after a refused commit, and send the changes to the endpoints at once."""
        if self._refusing_since is None:
            self._refusing_since = self._monotonic()
        changes = self.check(now, hammers)
        if self._unsent:
            try:
                self._send_urgent(queued_messages(self._store, self._unsent, now))
            except StoreLost:
                raise
            except StoreError:  # it refuses this, too: then after the next refusal
                return changes
            self._unsent.clear()
        return changes

    def after_commit(self) -> None:
        """Note that the step was committed: its changes are sent from the database."""
        self._refusing_since = None
        self._unsent.clear()
