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
from strikewatch.web.pages.page import Review

_log: Final = structlog.get_logger("http")

MAX_REPORTS: Final = 4
"""How many reports are kept, the most recently requested ones."""
FRESH_S: Final = 600.0
"""A report of a period that has not ended is renewed at this age, in real time."""
RETRY_S: Final = 60.0
"""Wait after a failed renewal, in real time."""
MAX_DURATION_S: Final = 900.0
COMMAND: Final = (sys.executable, "-m", "strikewatch.cli.review_report")

_RequestKey = tuple[str, Instant]


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
        self._reports: OrderedDict[_RequestKey, _Report] = OrderedDict()
        self._failed: set[_RequestKey] = set()
        self._running: subprocess.Popen[str] | None = None
        self._making: _RequestKey | None = None
        self._closed = False

    def get_report(self, site: str, begin: Instant, end: Instant) -> Review | None:
        """Return the newest report on a site in [begin, end), with data up to when it was made.

        Returns None while the first one is being made. An old report is returned at once and renewed in the
        background. Raises Refused if making it failed; the next call tries again.
        """
        request_key = site, begin
        with self._lock:
            report = self._reports.get(request_key)
            if report is None:
                if request_key in self._failed:
                    self._failed.discard(request_key)
                    raise Refused("the review could not be made; try again, or see the processor's log")
                self._begin(request_key, end)
                return None
            self._reports.move_to_end(request_key)
            complete = report.upto >= end
            if not complete and self._monotonic() >= report.renew_s:
                self._begin(request_key, end)
            return Review(report.html, report.upto, complete, self._making == request_key, report.failed)

    def close(self) -> None:
        """Stop making reports."""
        with self._lock:
            self._closed = True
            if self._running is not None:
                self._running.kill()

    def _begin(self, request_key: _RequestKey, end: Instant) -> None:
        """Start making a report, unless one is being made."""
        if self._running is not None or self._closed:
            return
        upto, pipe = min(end, self._wall()), subprocess.PIPE
        try:
            running = subprocess.Popen(
                COMMAND, stdin=pipe, stdout=pipe, stderr=pipe, text=True, encoding="utf-8"
            )
        except OSError as error:
            self._note_failure(request_key, str(error))
            return
        self._running, self._making = running, request_key
        period = {"site": request_key[0], "begin": instant.text(request_key[1]), "end": instant.text(upto)}
        request = json.dumps(
            {**period, "settings": self._settings.model_dump(mode="json", exclude_none=True)}
        )
        threading.Thread(
            target=self._wait, args=(running, request_key, request, upto), name="review", daemon=True
        ).start()

    def _wait(
        self, running: "subprocess.Popen[str]", request_key: _RequestKey, request: str, upto: Instant
    ) -> None:
        try:
            report, trouble = running.communicate(request, MAX_DURATION_S)
        except subprocess.TimeoutExpired:
            running.kill()
            report, trouble = "", f"not done within {MAX_DURATION_S:.0f} s\n{running.communicate()[1]}"
        with self._lock:
            self._running = self._making = None
            if running.returncode == 0:
                self._reports[request_key] = _Report(report, upto, self._monotonic() + FRESH_S)
                self._reports.move_to_end(request_key)
                while len(self._reports) > MAX_REPORTS:
                    self._reports.popitem(last=False)
            elif not self._closed:
                self._note_failure(request_key, trouble)

    def _note_failure(self, request_key: _RequestKey, trouble: str) -> None:
        if (old := self._reports.get(request_key)) is not None:
            old.renew_s, old.failed = self._monotonic() + RETRY_S, True
        else:
            self._failed.add(request_key)
        _log.error("review_failed", site=request_key[0], error=trouble)
