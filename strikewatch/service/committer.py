"""Commit steps until the database has them: the broker keeps what follows while it refuses."""

from collections.abc import Callable, Iterable
from dataclasses import replace
from itertools import count
from typing import Final

import structlog

from strikewatch.core.batch import Key
from strikewatch.errors import StoreError, StoreLost, Unstorable
from strikewatch.service.step_journal import Phase, StepJournal
from strikewatch.service.store_monitor import StoreMonitor
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store

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


class Committer:
    """Commits steps; used by the worker's thread only. `wait(s)` waits for up to s and returns whether to stop.

    `unstorable_remedy`: what is logged if the database refuses the data of a step in particular.
    """

    def __init__(
        self,
        store: Store,
        journal: StepJournal,
        monitor: StoreMonitor,
        wait: Callable[[float], bool],
        unstorable_remedy: str = UNSTORABLE_REMEDY,
    ) -> None:
        self._unstorable_remedy = unstorable_remedy
        self._store = store
        self._journal = journal
        self._monitor = monitor
        self._wait = wait

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
                    _log.warning("commit_succeeded", refused=refused)
                self._monitor.after_commit()
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
                more = self._monitor.after_refusal(record.received, hammers)
                record = replace(record, changes=[*record.changes, *more])
                if self._wait(RETRY_COMMIT_S):
                    raise
