"""The thread beside the steps: it turns what was admitted into recordings, and removes what is old.

A full disk or a locked database stops it for a while, never for good: it starts over from what the database says.
"""

import threading
from collections.abc import Callable
from typing import Final

import structlog

from strikewatch.core.instant import Instant
from strikewatch.errors import StoreBlocked
from strikewatch.settings.tree import Settings
from strikewatch.storage.commit.store import Store
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.retention import Retention

_log: Final = structlog.get_logger("upkeep")

EVERY_S: Final = 0.05
AGAIN_S: Final = 5.0
"""Wait after a refusal."""


class Upkeep:
    """`wait(s)` waits for up to s and tells whether to stop; `failed` is called, from the thread, if it dies.

    Raises StoreError where the recordings of an interrupted run cannot be finished.
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
        self._recorder: Recorder | None = Recorder(store, settings.recording)
        self._keeper = Retention(store, settings.store, monotonic)
        thread = threading.Thread(target=self._run, name="recorder")
        self.start = thread.start
        self.join = thread.join

    def flush(self) -> None:
        """End the recording; after a stop."""
        recorder = self._recorder or Recorder(self._store, self._settings)
        recorder.flush(self._wall())

    def _run(self) -> None:
        try:
            while not self._wait(EVERY_S):
                try:
                    self._recorder = self._recorder or Recorder(self._store, self._settings)
                    self._recorder.tick(self._wall())
                    self._keeper.tick(self._wall())
                except StoreBlocked as error:
                    # what it held in memory may be half done; the database knows what is
                    self._recorder = None
                    _log.error(
                        "recorder_refused", problem=str(error), remedy="nothing is lost; it is tried again"
                    )
                    if self._wait(AGAIN_S):
                        return
        except BaseException as error:  # noqa: BLE001  # a dead recorder must end the process, whatever killed it
            self._failed(error)
