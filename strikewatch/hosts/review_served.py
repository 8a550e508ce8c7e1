"""Reviews for the page, made by a process of their own at low priority, so that nothing else waits for them.

`python -m strikewatch.hosts.review_served` is that process: what to make comes in as JSON, the report goes out as HTML.
"""

import json
import os
import subprocess
import sys
import threading
from argparse import Namespace
from collections import OrderedDict
from collections.abc import Callable
from typing import Final

import structlog
from rich.console import Console

from strikewatch.errors import Refused, StrikewatchError
from strikewatch.model import instant
from strikewatch.model.instant import SECOND, Instant
from strikewatch.settings import Settings

_log: Final = structlog.get_logger("http")

KEPT: Final = 4
"""Reports kept, the last ones asked for."""
FRESH: Final = 600 * SECOND
"""So old may a report be of a time that is not over."""
LONGEST_S: Final = 900.0
NICE: Final = 5
MOMENTS: Final = 3

_Asked = tuple[str, Instant]


class Reviews:
    """One report is made at a time. `wall` tells ns."""

    def __init__(self, settings: Settings, wall: Callable[[], Instant]) -> None:
        self._settings = settings
        self._wall = wall
        self._lock = threading.Lock()
        self._made: OrderedDict[_Asked, tuple[Instant, str]] = OrderedDict()
        self._failed: set[_Asked] = set()
        self._running: subprocess.Popen[str] | None = None
        self._closed = False

    def look(self, site: str, begin: Instant, end: Instant) -> str | None:
        """The report on a site in [begin, end), up to now where that is later; None while one is made: ask again.

        Raises Refused where it could not be made; asked for again, it is tried again.
        """
        asked, now = (site, begin), self._wall()
        with self._lock:
            if asked in self._failed:
                self._failed.discard(asked)
                raise Refused("the review could not be made; try again, or see the processor's log")
            at, report = self._made.get(asked, (0, None))
            if report is not None and (at >= end or now - at < FRESH):
                self._made.move_to_end(asked)
                return report
            if self._running is None and not self._closed:
                self._begin(asked, min(end, now), now)
        return None

    def close(self) -> None:
        """Make no more."""
        with self._lock:
            self._closed = True
            if self._running is not None:
                self._running.kill()

    def _begin(self, asked: _Asked, end: Instant, now: Instant) -> None:
        command = [sys.executable, "-m", "strikewatch.hosts.review_served"]
        pipe = subprocess.PIPE
        running = subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe, text=True, encoding="utf-8")
        self._running = running
        order = {"site": asked[0], "begin": instant.text(asked[1]), "end": instant.text(end)}
        told = json.dumps({**order, "settings": self._settings.model_dump(mode="json", exclude_none=True)})
        threading.Thread(
            target=self._wait, args=(running, asked, told, now), name="review", daemon=True
        ).start()

    def _wait(self, running: "subprocess.Popen[str]", asked: _Asked, told: str, now: Instant) -> None:
        try:
            report, trouble = running.communicate(told, LONGEST_S)
        except subprocess.TimeoutExpired:
            running.kill()
            report, trouble = "", f"not done within {LONGEST_S:.0f} s\n{running.communicate()[1]}"
        with self._lock:
            self._running = None
            if running.returncode == 0:
                self._made[asked] = now, report
                while len(self._made) > KEPT:
                    self._made.popitem(last=False)
            elif not self._closed:
                self._failed.add(asked)
                _log.error("review_failed", site=asked[0], error=trouble)


def main() -> int:
    """Read the order, write the report; 2 with the reason on standard error where it cannot be made."""
    from strikewatch.hosts.review_command import review  # pandas: only where reports are made
    from strikewatch.review.report.html import html

    os.nice(NICE)
    told = json.load(sys.stdin)
    options = Namespace(
        paths=[],
        begin=told["begin"],
        end=told["end"],
        operator=None,
        site=told["site"],
        html=True,
        pdf=None,
        csv=None,
        json=False,
        moments=MOMENTS,
        coaching=None,
        config=None,
    )
    settings = Settings.model_validate(told["settings"])
    try:
        made = review(options, settings, Console(stderr=True, quiet=True))
    except StrikewatchError as error:
        print(error, file=sys.stderr)
        return 2
    sys.stdout.reconfigure(encoding="utf-8")  # type: ignore[union-attr]  # it is a pipe
    sys.stdout.write(html(made.report))
    return 0


if __name__ == "__main__":
    sys.exit(main())
