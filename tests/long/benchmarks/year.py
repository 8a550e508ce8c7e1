"""(i) The review of 20 operators and six hammers at 10 Hz: from recordings against merely reading them, and a database.

Of a month; `python -m tests.long.benchmarks.year 250` is the year: 400 million rows, whose recordings are made first.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.review import rates
from strikewatch.review.data.from_store import from_store
from strikewatch.service.recorded.replay import ReplayResult, replay_shifts
from strikewatch.sources.recordings import open_shifts
from strikewatch.storage.commit.statements import bout_row, stretch_row
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines.shared import SharedDatabase
from strikewatch.storage.recorder.parquet import SAMPLES, write_shift
from strikewatch.storage.schema.tables import alerts, bouts, exposure
from tests.long.benchmarks import data
from tests.long.benchmarks.replay import read
from tests.long.benchmarks.table import Line, show

MONTH = 21
"""Days of work."""
ROWS = 266_400
"""Of each hammer and day: 7.4 h."""
SITE = "fennick-hollow"
HAMMERS = tuple(f"HB-{k:02d}" for k in range(1, 7))
OPERATORS = tuple(f"op-{k}" for k in range(11, 31))
START = 1_767_589_200 * SECOND
DAY = 86_400 * SECOND
SHIFT = ROWS * SECOND // 10


def day_of_work() -> dict[str, Rows]:
    """Return a day's work of each hammer; two of the six have faults."""
    quiet = data.SHIFTS / "quiet-bench"
    made = {
        "HB-01": data.bare(ROWS),
        "HB-02": data.bare(ROWS, (SITE, "HB-02")),
        "HB-03": data.bare(ROWS, (SITE, "HB-03"), quiet),
        "HB-04": data.bare(ROWS, (SITE, "HB-01"), quiet),
    }
    made |= {"HB-05": made["HB-03"], "HB-06": made["HB-04"]}
    grid = START + np.arange(ROWS, dtype=np.int64) * (SECOND // 10)
    return {hammer: Rows(grid, rows.columns) for hammer, rows in made.items()}


def signed_on(hammer: int, day: int, second_half: bool) -> str:
    return OPERATORS[(12 * day + 2 * hammer + second_half) % len(OPERATORS)]


def events_of(day: int) -> Iterator[Event]:
    """Two operators on each hammer, one after the other, and a greasing every 1.8 h."""
    begin = START + day * DAY
    for k, hammer in enumerate(HAMMERS):
        for half in range(2):
            name = signed_on(k, day, bool(half))
            yield Event(SITE, hammer, "sign_on", begin + half * SHIFT // 2, {"operator": name})
        for round_ in range(4):
            at = begin + round_ * 6480 * SECOND
            yield Event(SITE, hammer, "grease", at, {"strokes": [12, 12], "method": "manual"})
        yield Event(SITE, hammer, "sign_off", begin + SHIFT, {})


def record(folder: Path, days: int) -> None:
    """Record one folder a day with all hammers, each with its own noise so that compression is realistic."""
    work, dice = day_of_work(), np.random.default_rng(1)
    for day in range(days):
        noise = np.round(dice.normal(0.0, 0.5, ROWS), 1)
        rows = {
            hammer: Rows(
                one.time_ns + day * DAY, {**one.columns, "pressure_bar": one.columns["pressure_bar"] + noise}
            )
            for hammer, one in work.items()
        }
        write_shift(folder / f"day-{day:03d}", SITE, rows, events_of(day), live=True)


def reading_s(folder: Path) -> float:
    begin = time.perf_counter()
    for shift in sorted(folder.iterdir()):
        read(shift / SAMPLES)
    return time.perf_counter() - begin


def reviewed(*arguments: str) -> tuple[float, float]:
    """Return duration (s) and peak memory (MiB) of `strikewatch review --html` in a separate process."""
    command = [sys.executable, "-m", "strikewatch.cli.main", "review", *arguments]
    begin = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
        assert process.stderr is not None
        told = process.stderr.read()
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise OSError(f"{' '.join(command)}: {told.decode()}")
    return time.perf_counter() - begin, used.ru_maxrss / 1024


def fill(where: Path, found: ReplayResult, days: int) -> None:
    """Fill a database with the first day's results on every day, with each day's operators."""
    fired = [bout_row(worked) for worked in found.bouts()]
    worked = [stretch_row(spent) for spent in found.stretches()]
    told = [
        {
            **dict.fromkeys(("site", "hammer", "fault", "priority", "historic")),
            **{name: record[name] for name in alerts.c.keys() & record.keys()},
            "start_ns": instant.parse(record["onset"]),
            "end_ns": instant.parse(record["cleared"] or record["onset"]),
            "told": record,
        }
        for record in found.records
    ]
    store = Store(where)
    for day in range(days):
        with store.write() as connection:
            connection.execute(bouts.insert(), list(_moved(fired, day)))
            connection.execute(exposure.insert(), list(_moved(worked, day)))
            connection.execute(alerts.insert(), [_alert(one, day) for one in _moved(told, day)])
    store.close()


def _moved(rows: Iterable[Mapping[str, Any]], day: int) -> Iterator[dict[str, Any]]:
    """Return the rows moved to another day, with that day's operators."""
    for one in rows:
        half = one["start_ns"] >= START + SHIFT // 2
        yield {
            **one,
            "start_ns": one["start_ns"] + day * DAY,
            "end_ns": one["end_ns"] + day * DAY,
            "operator": signed_on(HAMMERS.index(one["hammer"]), day, half),
        }


def _alert(one: dict[str, Any], day: int) -> dict[str, Any]:
    """Return a moved alert as a row."""
    onset, cleared = one.pop("start_ns"), one.pop("end_ns")
    ident = f"{day:03d}{one['id']}"
    times = {"onset": instant.text(onset), "cleared": instant.text(cleared)}
    record = one.pop("told") | times | {"id": ident, "operator": one["operator"]}
    return one | {
        "id": ident,
        "onset_ns": onset,
        "cleared_ns": cleared,
        "ahead": 0,
        "record": json.dumps(record),
        "first_seen_ns": onset,
        "updated_ns": cleared,
    }


def from_database_s(where: Path, days: int) -> tuple[float, float]:
    """Return the time to load the frames and to compute the rates, s."""
    begin = time.perf_counter()
    with SharedDatabase(where) as place:
        frames = from_store(place, START, START + days * DAY)
    read_by = time.perf_counter()
    rates.operators(*frames)
    return read_by - begin, time.perf_counter() - read_by


def lines(days: int = MONTH) -> list[Line]:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "recordings"
        record(folder, days)
        found = replay_shifts(open_shifts(folder / "day-000"), data.settings_of)
        page = ("--html", f"{scratch}/review.html")
        _, least = reviewed(str(folder / "day-000"), *page)
        reading = reading_s(folder)
        reviewing, most = reviewed(str(folder), *page)
        where = Path(scratch) / "strikewatch.db"
        fill(where, found, days)
        stored_bytes = where.stat().st_size
        recorded_bytes = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
        asked, rated = from_database_s(where, days)
    made = {
        "M rows": ROWS * len(HAMMERS) / 1e6,
        "firing hours": sum(found.firing_h.values()),
        "bouts": len(found.bouts()),
        "alerts": len(found.records),
    }
    scene = ", ".join(f"{days * n:,.0f} {what}" for what, n in made.items())
    return [
        Line(
            f"review of {days} days: {reviewing:.0f} s ({scene})",
            "review / reading",
            reviewing / reading,
            "<= 3",
        ),
        Line(f"memory: at most {most:.0f} MiB (one day {least:.0f})", "to one day", most / least, ""),
        Line(
            f"database: {stored_bytes / days / len(HAMMERS) / 1e6:.2f} MB a hammer and day",
            "to the recordings",
            stored_bytes / recorded_bytes,
            "",
        ),
        Line(f"frames from the database: {asked:.1f} s", "to reading the recordings", asked / reading, ""),
        Line(f"rates of them: {rated:.1f} s", "to reading the recordings", rated / reading, ""),
    ]


if __name__ == "__main__":
    days = int(sys.argv[1])
    show(f"(i) {days} days", lines(days))
