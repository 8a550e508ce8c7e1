"""The alert about a full disk, which must be told while the database cannot be written: at once in the log and to every
endpoint, and stored with the step that waits for room.
"""

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

Ahead = Callable[[Sequence[tuple[str, Message]]], None]
"""Given (endpoint, message) that are to be sent though they are not stored yet."""


class FullDisk:
    """Used by the worker's thread alone."""

    def __init__(self, store: Store, ahead: Ahead, monotonic: Callable[[], Instant]) -> None:
        self._store = store
        self._ahead = ahead
        self._monotonic = monotonic
        self._alert = DiskFullAlert()
        self._untold: list[Change] = []
        self.restore = self._alert.restore

    def look(self, now: Instant, hammers: Iterable[Key]) -> list[Change]:
        """What has become of the disk: to be stored with this step of the wall time `now`."""
        if self._store.disk_warning is not None:
            self._store.check_disk_space()
        full = self._store.disk_warning is not None
        changes = self._alert.update(full, (site for site, _ in hammers), now, self._monotonic())
        log_changes(changes)
        self._untold += changes
        return changes

    def refused(self, now: Instant, hammers: Iterable[Key]) -> list[Change]:
        """Likewise where the step was refused: the endpoints are told at once."""
        changes = self.look(now, hammers)
        if self._untold:
            with suppress(StoreBlocked):  # also locked: with the next refusal
                self._ahead(queued_messages(self._store, self._untold, now))
                self._untold.clear()
        return changes

    def stored(self) -> None:
        """The step has been committed: what it held is told from the database."""
        self._untold.clear()
