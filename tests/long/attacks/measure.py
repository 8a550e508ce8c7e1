"""Attack a site, wait until the other hammers' alerts have come, and measure what the attack cost them."""

import math
import time
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.long.attacks.attack import Attack, Result
from tests.long.attacks.processor import cpu_s, reset_peak, resident_mib
from tests.long.attacks.site import Site, wait_until

AFTER_S = 4.0
AFTER_SHORT_S = 1.5
"""Alerts are still measured for so long after the attack."""
ALERT_TIMEOUT_S = 60.0
"""What has not come by then never came."""
COMMITS_S = 20.0
REPORT_WITHIN_S = 15.0


@contextmanager
def site_for(attack: Attack) -> Iterator[Site]:
    """Yield a new site in a temporary folder."""
    with TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        site = Site(Path(folder), attack)
        try:
            yield site
        finally:
            site.close()


class Sites:
    """The site of one attack after another, renewed on request. A context manager.

    `fresh`: a site of its own for each attack; otherwise those that need nothing special share one.
    """

    def __init__(self, *, fresh: bool) -> None:
        self._fresh = fresh
        self._context: AbstractContextManager[Site] | None = None
        self._site: Site | None = None

    def site(self, attack: Attack) -> Site:
        """Return the site to attack."""
        if self._site is None or self._fresh or not attack.plain:
            self.renew()
            self._context = context = site_for(attack)
            self._site = context.__enter__()
        return self._site

    def renew(self) -> None:
        """Close the present site; the next attack gets a new one."""
        if self._context is not None:
            context, self._context, self._site = self._context, None, None
            context.__exit__(None, None, None)

    def __enter__(self) -> "Sites":
        return self

    def __exit__(self, *_: object) -> None:
        self.renew()


def run_attack(
    attack: Attack,
    site: Site,
    scale: float,
    alert_timeout_s: float = ALERT_TIMEOUT_S,
    after_s: float = AFTER_S,
) -> Result:
    """Attack the site and measure the effect on the other hammers. Errors of the attack are raised."""
    processor, witness = site.processor, site.witness
    rejects, log_from, deaths, pid = site.rejects(), site.log_size(), processor.deaths, processor.pid
    stored, confirmed = site.honest_events(), witness.events
    before_mib, cpu, began = resident_mib(pid), cpu_s(pid), time.monotonic()
    reset_peak(pid)
    done = attack.run(site, scale)
    upto = time.monotonic() + after_s
    witness.wait(lambda: time.monotonic() >= upto, after_s)
    witness.wait(lambda: witness.all_came(began, upto), alert_timeout_s)
    confirmed = witness.events - confirmed
    wait_until(lambda: site.honest_events() - stored >= confirmed, COMMITS_S)
    due = witness.due(began, upto)
    delays = [
        time_up_s(processor.away, witness.sent[name], witness.came[name])
        for name in due
        if name in witness.came
    ]
    missing = sum(name not in witness.came for name in due)
    if absences := [until - since for since, until in processor.away if since >= began]:
        done.notes["longest absence s"] = max(absences)
    same = pid == processor.pid  # otherwise its memory is that of a new start
    peak_mib, kept_mib = resident_mib(processor.pid, peak=True), resident_mib(processor.pid)
    reported = site.reported(began, log_from, rejects)
    deadline = time.monotonic() + REPORT_WITHIN_S
    while reported.silent(attack.reports_to) and time.monotonic() < deadline:
        time.sleep(0.5)
        reported = site.reported(began, log_from, rejects)
    return Result(
        attack.name,
        done,
        len(delays),
        max(delays, default=math.inf),
        cpu_s(processor.pid) - (cpu if same else 0.0),
        peak_mib - before_mib,
        kept_mib - before_mib,
        missing + max(0, confirmed - (site.honest_events() - stored)),
        processor.deaths - deaths,
        reported,
        reported.silent(attack.reports_to),
        attack.deaths,
        not same,
    )


def time_up_s(away: Iterable[tuple[float, float]], since: float, until: float) -> float:
    """Return how much of the time between two instants the processor was up, s: an absence is no delay of its own."""
    return until - since - sum(max(0.0, min(until, end) - max(since, begin)) for begin, end in away)
