"""Commit steps until the database has them: the broker keeps what follows while it refuses.

While the database cannot be written, alerts about it are logged and sent to every endpoint at once, and stored with
the step that waits.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import count
from typing import Any, Final

import structlog

from strikewatch.core.alert import Change
from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.self_alerts import DATABASE_UNAVAILABLE, DISK_FULL, SelfAlert
from strikewatch.errors import StoreError, StoreLost, Unstorable
from strikewatch.service.step_journal import Phase, StepJournal
from strikewatch.sinks.log import log_changes
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import Message, queued_messages

_log: Final = structlog.get_logger("worker")

RETRY_COMMIT_S: Final = 1.0
UNSTORABLE_ATTEMPTS: Final = 3
"""Data that the database refuses so many times is not offered again."""
UNSTORABLE_REMEDY: Final = (
    "the process ends; after restarts it processes these messages one by one, and sets the one aside that cannot be "
    "stored: see strikewatch rejects"
)
LOG_EVERY_REFUSALS: Final = 60
"""A refused commit is logged once in this many attempts."""
UNAVAILABLE_NS: Final = 10 * SECOND
"""Shorter refusals, such as while the database is copied, raise no alert."""

SendUrgent = Callable[[Sequence[tuple[str, Message]]], None]
"""Called with (endpoint, message) to be sent before they are stored."""


class Committer:
    """Commits steps, and raises the alerts about the database; used by the worker's thread only.

    `monotonic` returns ns. `wait(s)` waits for up to s and returns whether to stop. `unstorable_remedy`: what is
    logged if the database refuses the data of a step in particular.
    """

    def __init__(
        self,
        store: Store,
        journal: StepJournal,
        send_urgent: SendUrgent,
        monotonic: Callable[[], Instant],
        wait: Callable[[float], bool],
        unstorable_remedy: str = UNSTORABLE_REMEDY,
    ) -> None:
        self._store = store
        self._journal = journal
        self._send_urgent = send_urgent
        self._monotonic = monotonic
        self._wait = wait
        self._unstorable_remedy = unstorable_remedy
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

    def check_database(self, now: Instant, hammers: Iterable[Key]) -> list[Change]:
        """Check for a full disk and lasting refusals; return changes of alerts to be stored. `now`: wall time."""
        if self._store.disk_warning is not None:
            self._store.check_disk_space()
        full = self._store.disk_warning is not None
        monotonic = self._monotonic()
        since = self._refusing_since
        unavailable = not full and since is not None and monotonic - since >= UNAVAILABLE_NS
        if not (full or unavailable or self._disk_full.active or self._unavailable.active):
            return []
        sites = {site for site, _ in hammers} if full or unavailable else ()
        changes = [
            *self._disk_full.update(full, sites, now, monotonic),
            *self._unavailable.update(unavailable, sites, now, monotonic),
        ]
        if changes:
            log_changes(changes)
        self._unsent += changes
        return changes

    def commit(self, record: StepRecord, hammers: Iterable[Key]) -> None:
        """Commit a step; retry while the database refuses. `hammers`: all, for the alerts of a refusal.

        Raises StoreError if it still refuses when the process is to stop, and Unstorable if it refuses the data of this
        step in particular. The process must then end: the step journal has the messages processed alone after the
        restart, and sets the one aside that cannot be stored.
        """
        for refused in count():
            self._journal.mark(Phase.COMMITTING)
            try:
                self._store.commit(record)
                if refused:
                    _log.warning("commit_succeeded", refusals=refused)
                self._refusing_since = None
                self._unsent.clear()  # sent from the database
                return
            except StoreLost:
                raise
            except StoreError as error:
                if isinstance(error, Unstorable) and refused + 1 >= UNSTORABLE_ATTEMPTS:
                    _log.error("data_refused", problem=str(error), remedy=self._unstorable_remedy)
                    raise
                self._journal.mark(Phase.UNRELATED)
                if refused % LOG_EVERY_REFUSALS == 0:
                    _log.error(
                        "commit_refused", problem=str(error), remedy="nothing is lost; this is retried"
                    )
                more = self._alert_refusal(record.received, hammers)
                record = replace(record, changes=[*record.changes, *more])
                if self._wait(RETRY_COMMIT_S):
                    raise

    def _alert_refusal(self, now: Instant, hammers: Iterable[Key]) -> list[Change]:
        """Check after a refused commit; send the changes of the alerts to the endpoints at once, and return them."""
        if self._refusing_since is None:
            self._refusing_since = self._monotonic()
        changes = self.check_database(now, hammers)
        if self._unsent:
            try:
                self._send_urgent(queued_messages(self._store, self._unsent, now))
            except StoreLost:
                raise
            except StoreError:  # it refuses this, too: then after the next refusal
                return changes
            self._unsent.clear()
        return changes
