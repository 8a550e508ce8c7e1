"""A month of ten hammers' shifts through the real worker, store, recorder and retention, under simulated clocks.

Everything is kept for three days rather than years, so that what is old goes ten times over in a month. What a day
leaves is seen before anything goes; from that follows how much there may be at most, for ever after.
"""

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.engine.lifecycle import State
from strikewatch.storage.actions.alerts import AlertActions
from strikewatch.storage.queries.alerts import Filter
from tests.long.trials.site import Clocks, SimulatedSite, simulated_site
from tests.long.trials.trial import Line, Trial, broken

HAMMERS = tuple(f"HB-{n:02d}" for n in range(1, 11))
DAYS = 30
BLOCK_S = 120
"""One message holds so much of a hammer, at one row a second."""
BEGINS_S = 7 * 3600
KEEP_DAYS = 3.0
DAY = 86_400 * SECOND
START = instant.parse("2026-06-01T00:00:00Z")
STORE = {f"{name}_days": KEEP_DAYS for name in ("rejects", "alerts", "events", "bouts", "sent")}
WARM_DAYS = 6
"""After so long as much goes as comes, everywhere."""
FLAT = 1.05
WAL_MIB = 64.0
"""`journal_size_limit` of the database."""
SLACK_MIB = 2.0
"""Of the database, for an hour's spool and half-filled pages."""
RECORDING_MIB = 0.05
"""Of the recordings, since one day has more in it than another."""
MIB = 1 << 20
PAGE = 4096
WAITING: tuple[State, ...] = ("unacknowledged", "returned_unacknowledged")


OLDEST = (
    "select min(received_ns) from events",
    "select min(received_ns) from rejects",
    "select min(start_ns) from bouts",
    # messages of an alert are kept while it is active
    "select min(finished_ns) from outbox join alerts a on a.site = outbox.site and a.id = alert_id "
    "where outbox.state = 'sent' and cleared_ns is not null",
    "select min(updated_ns) from alerts where cleared_ns is not null and ahead = 0",
    "select min(at_ns) from history where alert_id = ''",  # an alert's own goes with it
)


class DaySizes(NamedTuple):
    """The sizes at the end of a day. `oldest_days`: the age of the oldest row that retention may remove."""

    day: int
    resident_mib: float
    database_mib: float
    free_mib: float
    wal_mib: float
    recordings_mib: float
    alerts: int
    outbox: int
    oldest_days: float
    oldest_recording_days: float


def block(rng: np.random.Generator, n: int) -> dict[str, Any]:
    """Return bouts of firing with the oil near its limit and some bad values."""
    active = np.zeros(n, bool)
    i = int(rng.integers(0, 20))
    while i < n:
        bout = int(rng.integers(3, 13))
        active[i : i + bout] = True
        i += bout + int(rng.integers(4, 60))
    bar = (np.where(active, 150.0, 20.0) + rng.normal(0, 3, n)).round(1)
    oil = (float(rng.uniform(60, 79)) + np.arange(n) / 60.0).round(1)
    if rng.random() < 0.02:
        bar[int(rng.integers(0, n))] = 5000.0
    return {"active": active.tolist(), "pressure_bar": bar.tolist(), "oil_c": oil.tolist()}


def run_days(folder: Path, days: int, shift_h: float, seed: int = 1) -> Iterator[DaySizes]:
    """Yield the sizes at the end of each day."""
    rng = np.random.default_rng(seed)
    clocks = Clocks(START)
    with simulated_site(folder, clocks, store=STORE, recording={"keep_days": KEEP_DAYS}) as site:
        for day in range(days):
            _shift(site, rng, START + day * DAY, shift_h)
            for hour in range(16, 25):  # the night, in which what is old goes
                clocks.true = START + day * DAY + hour * 3600 * SECOND
                site.turn()
                _housekeep(site)
                if hour == 16:
                    _acknowledge(site)
            yield _sizes(site, day + 1)


def _shift(site: SimulatedSite, rng: np.random.Generator, midnight: int, hours: float) -> None:
    clocks = site.clocks
    for hammer in HAMMERS:
        clocks.true = midnight + BEGINS_S * SECOND
        on = {"time": instant.text(clocks.true), "event": "sign_on", "operator": f"op-{rng.integers(11, 19)}"}
        site.line.send(hammer, "events", on)
    for second in range(BEGINS_S, BEGINS_S + round(hours * 3600), BLOCK_S):
        at = midnight + second * SECOND
        clocks.true = at + BLOCK_S * SECOND
        for hammer in HAMMERS:
            payload = {"time": instant.text(at), "step_s": 1.0, **block(rng, BLOCK_S)}
            site.line.send(hammer, "samples", payload)
            if second % 7200 == 0:
                grease = {"time": instant.text(clocks.true), "event": "grease", "strokes": [12, 12]}
                site.line.send(hammer, "events", grease)
        if rng.random() < 0.02:
            site.line.send(HAMMERS[0], "samples", {"time": "yesterday"})
        site.turn()
        site.housekeep()


def _housekeep(site: SimulatedSite) -> None:
    """The thread beside the steps looks twenty times a second: an hour is time enough for all that is old."""
    site.recorder.tick(site.clocks.wall())
    for _ in range(80):
        site.retention.tick(site.clocks.wall())


def _acknowledge(site: SimulatedSite) -> None:
    """Acknowledge the day's alerts, since unacknowledged ones are never removed."""
    now = site.clocks.wall()
    desk = AlertActions(site.store, DAY)
    for one in desk.alerts(Filter(states=WAITING)):
        desk.acknowledge(one.record["id"], by="manager", now=now)
    site.office.received.clear()


def _sizes(site: SimulatedSite, day: int) -> DaySizes:
    folder, now = site.folder, site.clocks.wall()
    database = folder / "strikewatch.db"
    wal = folder / "strikewatch.db-wal"
    ((free,),) = site.query("pragma freelist_count")
    ((alerts,),) = site.query("select count(*) from alerts")
    ((outbox,),) = site.query("select count(*) from outbox")
    oldest = min(site.query(sql)[0][0] or now for sql in OLDEST)
    ((recording,),) = site.query("select min(written_ns) from segments")
    return DaySizes(
        day,
        _resident_mib(),
        database.stat().st_size / MIB,
        free * PAGE / MIB,
        wal.stat().st_size / MIB if wal.exists() else 0.0,
        sum(one.stat().st_size for one in (folder / "recordings").rglob("*") if one.is_file()) / MIB,
        alerts,
        outbox,
        (now - oldest) / DAY,
        (now - (recording or now)) / DAY,
    )


def _resident_mib() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * PAGE / MIB


def _trial(folder: Path, scale: float) -> Iterator[Line]:
    days, shift_h = (round(DAYS * scale), 8.0) if scale * DAYS > 2 * WARM_DAYS else (WARM_DAYS + 3, 0.4)
    seen = list(run_days(folder, days, shift_h))
    warm, first = seen[WARM_DAYS:], seen[int(KEEP_DAYS) - 1]
    may_hold = (KEEP_DAYS + 1) / KEEP_DAYS  # what is old goes at night, or with the next recording
    database_mib, recordings_mib = (
        may_hold * first.database_mib + SLACK_MIB,
        may_hold * first.recordings_mib + RECORDING_MIB,
    )
    memory = [one.resident_mib for one in warm]
    yield Line(
        f"{days} days of {len(HAMMERS)} hammers, {shift_h:g} h each day",
        {
            "alerts_a_day": first.alerts / KEEP_DAYS,
            "resident_mib_least": min(memory),
            "resident_mib_most": max(memory),
            "database_mib_most": max(one.database_mib for one in seen),
            "database_mib_allowed": database_mib,
            "free_mib_most": max(one.free_mib for one in warm),
            "wal_mib_most": max(one.wal_mib for one in seen),
            "recordings_mib_most": max(one.recordings_mib for one in seen),
            "recordings_mib_allowed": recordings_mib,
            "oldest_days": max(one.oldest_days for one in seen),
            "oldest_recording_days": max(one.oldest_recording_days for one in seen),
        },
        broken(
            memory_not_flat=max(memory) > FLAT * min(memory),
            database_too_large=max(one.database_mib for one in seen) > database_mib,
            database_still_growing=warm[-1].database_mib > FLAT * warm[0].database_mib + SLACK_MIB,
            log_too_large=max(one.wal_mib for one in seen) > WAL_MIB,
            recordings_too_large=max(one.recordings_mib for one in seen) > recordings_mib,
            rows_too_old=max(one.oldest_days for one in seen) > KEEP_DAYS + 1 / 12,
            recordings_too_old=max(one.oldest_recording_days for one in seen) > KEEP_DAYS + 1,
        ),
    )


TRIAL = Trial(
    "month",
    "memory flat within 5 %; database, its log and the recordings within what three days of keeping allow",
    lambda scale: {"month": partial(_trial, scale=scale)},
    0.1,
)
