"""Reviews for the page, made by a separate process with low priority, so that nothing else waits for them.

The process is `strikewatch.cli.review_report`: it reads the request as JSON and writes the report as HTML.
"""

import json
import subprocess
import sys
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import structlog

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.errors import Refused
from strikewatch.settings.tree import Settings
from strikewatch.web.pages.week import Review

_log: Final = structlog.get_logger("http")

MAX_REPORTS: Final = 4
"""How many reports are kept, the most recently requested ones."""
FRESH_S: Final = 600.0
"""A report of a period that has not ended is renewed at this age, in real time."""
RETRY_S: Final = 60.0
"""Wait after a failed renewal, in real time."""
MAX_DURATION_S: Final = 900.0
COMMAND: Final = (sys.executable, "-m", "strikewatch.cli.review_report")

_Request = tuple[str, Instant]


@dataclass(slots=True)
class _Report:
    """A report with data up to `upto` (wall time, ns), and when it may be renewed (monotonic, s)."""

    html: str
    upto: Instant
    renew_s: float
    failed: bool = False


class ReviewJobs:
    """Makes one report at a time and keeps the last ones. `wall` returns ns, `monotonic` s of real time.

    A report's age is in real time, since the wall clock of a demo runs many times faster.
    """

    def __init__(
        self,
        settings: Settings,
        wall: Callable[[], Instant],
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings = settings
        self._wall = wall
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._reports: OrderedDict[_Request, _Report] = OrderedDict()
        self._failed: set[_Request] = set()
        self._running: subprocess.Popen[str] | None = None
        self._making: _Request | None = None
        self._closed = False

    def look(self, site: str, begin: Instant, end: Instant) -> Review | None:
        """Return the newest report on a site in [begin, end), with data up to when it was made.

        Returns None while the first one is being made. An old report is returned at once and renewed in the
        background. Raises Refused if making it failed; the next call tries again.
        """
        asked = site, begin
        with self._lock:
            made = self._reports.get(asked)
            if made is None:
                if asked in self._failed:
                    self._failed.discard(asked)
                    raise Refused("the review could not be made; try again, or see the processor's log")
                self._begin(asked, end)
                return None
            self._reports.move_to_end(asked)
            complete = made.upto >= end
            if not complete and self._monotonic() >= made.renew_s:
                self._begin(asked, end)
            return Review(made.html, made.upto, complete, self._making == asked, made.failed)

    def close(self) -> None:
        """Stop making reports."""
        with self._lock:
            self._closed = True
            if self._running is not None:
                self._running.kill()

    def _begin(self, asked: _Request, end: Instant) -> None:
        """Start making a report, unless one is being made."""
        if self._running is not None or self._closed:
            return
        upto, pipe = min(end, self._wall()), subprocess.PIPE
        try:
            running = subprocess.Popen(
                COMMAND, stdin=pipe, stdout=pipe, stderr=pipe, text=True, encoding="utf-8"
            )
        except OSError as error:
            self._note_failure(asked, str(error))
            return
        self._running, self._making = running, asked
        order = {"site": asked[0], "begin": instant.text(asked[1]), "end": instant.text(upto)}
        request = json.dumps({**order, "settings": self._settings.model_dump(mode="json", exclude_none=True)})
        threading.Thread(
            target=self._wait, args=(running, asked, request, upto), name="review", daemon=True
        ).start()

    def _wait(self, running: "subprocess.Popen[str]", asked: _Request, request: str, upto: Instant) -> None:
        try:
            report, trouble = running.communicate(request, MAX_DURATION_S)
        except subprocess.TimeoutExpired:
            running.kill()
            report, trouble = "", f"not done within {MAX_DURATION_S:.0f} s\n{running.communicate()[1]}"
        with self._lock:
            self._running = self._making = None
            if running.returncode == 0:
                self._reports[asked] = _Report(report, upto, self._monotonic() + FRESH_S)
                self._reports.move_to_end(asked)
                while len(self._reports) > MAX_REPORTS:
                    self._reports.popitem(last=False)
            elif not self._closed:
                self._note_failure(asked, trouble)

    def _note_failure(self, asked: _Request, trouble: str) -> None:
        if (old := self._reports.get(asked)) is not None:
            old.renew_s, old.failed = self._monotonic() + RETRY_S, True
        else:
            self._failed.add(asked)
        _log.error("review_failed", site=asked[0], error=trouble)
