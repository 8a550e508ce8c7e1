"""The alert about a full disk: it must be sent while the database cannot be written."""

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress

from strikewatch.core.alert import Change
from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.engine.self_alerts import DiskFullAlert
from strikewatch.errors import StoreBlocked
from strikewatch.sinks.log import log_changes
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Message, queued_messages

SendUrgent = Callable[[Sequence[tuple[str, Message]]], None]
"""Called with (endpoint, message) to be sent before they are stored."""


class DiskFullMonitor:
    """Raises and clears the alert about a full disk; used by the worker's thread only.

    The alert must be sent while the database cannot be written: it is logged and sent to every endpoint at once, and
    stored with the step that waits for room.
    """

    def __init__(self, store: Store, send_urgent: SendUrgent, monotonic: Callable[[], Instant]) -> None:
        self._store = store
        self._send_urgent = send_urgent
        self._monotonic = monotonic
        self._alert = DiskFullAlert()
        self._unsent: list[Change] = []
        self.restore = self._alert.restore

    def check(self, now: Instant, hammers: Iterable[Key]) -> list[Change]:
        """Check the disk; return the changes of the alert to be stored with this step, at the wall time `now`."""
        if self._store.disk_warning is not None:
            self._store.check_disk_space()
        full = self._store.disk_warning is not None
        changes = self._alert.update(full, (site for site, _ in hammers), now, self._monotonic())
        if changes:
            log_changes(changes)
        self._unsent += changes
        return changes

    def after_refusal(self, now: Instant, hammers: Iterable[Key]) -> list[Change]:
        """Check the disk after a refused commit, and send the changes to the endpoints at once."""
        changes = self.check(now, hammers)
        if self._unsent:
            with suppress(StoreBlocked):  # the database may be locked, too: then after the next refusal
                self._send_urgent(queued_messages(self._store, self._unsent, now))
                self._unsent.clear()
        return changes

    def after_commit(self) -> None:
        """Note that the step was committed: its changes are sent from the database."""
        self._unsent.clear()
