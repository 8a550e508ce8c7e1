"""Reviews for the page, made by a process of their own at low priority, so that nothing else waits for them.

`strikewatch.cli.review_process` is that process: what to make comes in as JSON, the report goes out as HTML.
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

KEPT: Final = 4
"""Reports kept, the last ones asked for."""
FRESH_S: Final = 600.0
"""A report of a period that is not over is renewed once it is older than this, in real time."""
AGAIN_S: Final = 60.0
"""After a failed renewal the next one waits so long, in real time."""
LONGEST_S: Final = 900.0
COMMAND: Final = (sys.executable, "-m", "strikewatch.cli.review_process")

_Asked = tuple[str, Instant]


@dataclass(slots=True)
class _Made:
    """A report with data up to `upto` (wall clock, ns), and when it may be renewed (monotonic, s)."""

    html: str
    upto: Instant
    renew_s: float
    failed: bool = False


class Reviews:
    """Makes one report at a time and keeps the last ones. `wall` tells ns, `monotonic` s of real time.

    How old a report is goes by real time: in a demo the wall clock runs many times faster than a report is made.
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
        self._made: OrderedDict[_Asked, _Made] = OrderedDict()
        self._failed: set[_Asked] = set()
        self._running: subprocess.Popen[str] | None = None
        self._making: _Asked | None = None
        self._closed = False

    def look(self, site: str, begin: Instant, end: Instant) -> Review | None:
        """The newest report on a site in [begin, end), or up to its making where that is sooner.

        None while the first one is made: ask again. An old one is served at once and renewed meanwhile. Raises Refused
        where none could be made; asked for again, it is tried again.
        """
        asked = site, begin
        with self._lock:
            made = self._made.get(asked)
            if made is None:
                if asked in self._failed:
                    self._failed.discard(asked)
                    raise Refused("the review could not be made; try again, or see the processor's log")
                self._begin(asked, end)
                return None
            self._made.move_to_end(asked)
            whole = made.upto >= end
            if not whole and self._monotonic() >= made.renew_s:
                self._begin(asked, end)
            return Review(made.html, made.upto, whole, self._making == asked, made.failed)

    def close(self) -> None:
        """Make no more."""
        with self._lock:
            self._closed = True
            if self._running is not None:
                self._running.kill()

    def _begin(self, asked: _Asked, end: Instant) -> None:
        """Make a report, unless one is under way."""
        if self._running is not None or self._closed:
            return
        upto, pipe = min(end, self._wall()), subprocess.PIPE
        try:
            running = subprocess.Popen(
                COMMAND, stdin=pipe, stdout=pipe, stderr=pipe, text=True, encoding="utf-8"
            )
        except OSError as error:
            self._not_made(asked, str(error))
            return
        self._running, self._making = running, asked
        order = {"site": asked[0], "begin": instant.text(asked[1]), "end": instant.text(upto)}
        told = json.dumps({**order, "settings": self._settings.model_dump(mode="json", exclude_none=True)})
        threading.Thread(
            target=self._wait, args=(running, asked, told, upto), name="review", daemon=True
        ).start()

    def _wait(self, running: "subprocess.Popen[str]", asked: _Asked, told: str, upto: Instant) -> None:
        try:
            report, trouble = running.communicate(told, LONGEST_S)
        except subprocess.TimeoutExpired:
            running.kill()
            report, trouble = "", f"not done within {LONGEST_S:.0f} s\n{running.communicate()[1]}"
        with self._lock:
            self._running = self._making = None
            if running.returncode == 0:
                self._made[asked] = _Made(report, upto, self._monotonic() + FRESH_S)
                self._made.move_to_end(asked)
                while len(self._made) > KEPT:
                    self._made.popitem(last=False)
            elif not self._closed:
                self._not_made(asked, trouble)

    def _not_made(self, asked: _Asked, trouble: str) -> None:
        if (old := self._made.get(asked)) is not None:
            old.renew_s, old.failed = self._monotonic() + AGAIN_S, True
        else:
            self._failed.add(asked)
        _log.error("review_failed", site=asked[0], error=trouble)
