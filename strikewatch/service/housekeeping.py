"""The housekeeping thread: records admitted rows and removes old data.

A full or failing disk or a locked database interrupts it; it then starts again from the state in the database.
"""

import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Final

import structlog

from strikewatch.core.instant import Instant
from strikewatch.errors import StoreBlocked
from strikewatch.settings.tree import Settings
from strikewatch.storage.commit.store import Store
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.retention import Retention

_log: Final = structlog.get_logger("housekeeping")

EVERY_S: Final = 0.05
RETRY_S: Final = 5.0
"""Wait after a refusal, s."""


class Housekeeping:
    """The thread of recorder and retention.

    `wait(s)` waits for up to s and returns whether to stop; `failed` is called, from the thread, if it dies. Raises
    StoreError if the recordings of an interrupted run cannot be finished.
    """

    def __init__(
        self,
        store: Store,
        settings: Settings,
        wall: Callable[[], Instant],
        monotonic: Callable[[], Instant],
        wait: Callable[[float], bool],
        failed: Callable[[BaseException], None],
    ) -> None:
        self._store = store
        self._settings = settings.recording
        self._wall = wall
        self._wait = wait
        self._failed = failed
        self._recorder: Recorder | None = None
        with suppress(StoreBlocked):  # the thread tries again, and logs it
            self._recorder = Recorder(store, settings.recording)
        self._retention = Retention(store, settings.store, monotonic)
        thread = threading.Thread(target=self._run, name="recorder")
        self.start = thread.start
        self.join = thread.join

    def flush(self) -> None:
        """End the recording; call after the thread has ended."""
        recorder = self._recorder or Recorder(self._store, self._settings)
        recorder.flush(self._wall())

    def _run(self) -> None:
        try:
            while not self._wait(EVERY_S):
                try:
                    self._recorder = self._recorder or Recorder(self._store, self._settings)
                    self._recorder.tick(self._wall())
                    self._retention.tick(self._wall())
                except StoreBlocked as error:
                    # its work may be half done: start again from the state in the database
                    self._recorder = None
                    _log.error(
                        "recorder_blocked", problem=str(error), remedy="nothing is lost; this is retried"
                    )
                    if self._wait(RETRY_S):
                        return
        except BaseException as error:  # noqa: BLE001  # a dead recorder must end the process, whatever killed it
            self._failed(error)
