"""A database that is locked by another process, replaced, on a disk that may not be written, or a server that dies."""

import sqlite3
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path

from tests.broker import Broker
from tests.disk import SmallDisk, frozen
from tests.long.trials.one_spot import OneSpotWork
from tests.long.trials.trial import Line, Part, Trial, broken, one_line
from tests.postgresql import Postgresql
from tests.service.processor import Gateway, Processor, until

BUSY_S = 10.0
"""How long a lock is waited for before a commit is refused."""


@contextmanager
def running_processor(
    folder: Path, database: Path | None = None, **store: str
) -> Iterator[tuple[Processor, OneSpotWork]]:
    """A processor that has taken a rest and 8 s of firing; `database`: where its file is, if not in its folder."""
    place = folder / "processor"
    place.mkdir(parents=True)
    if database is not None:
        (place / "strikewatch.db").symlink_to(database)
        store = {"path": str(database)}
    with Broker(folder) as broker:
        processor = Processor(place, broker, store=dict(store)).start()
        gateway = Gateway(broker)
        work = OneSpotWork(gateway)
        with gateway, processor:
            work.rest(5)
            work.fire(8)
            work.wait_until_processed(processor)
            yield processor, work


def fire_and_rest(work: OneSpotWork) -> None:
    """Send 12 s more of firing, then a rest."""
    work.fire(12)
    work.rest(10)


def run_locked(folder: Path, held_s: float) -> Line:
    """Lock the database from another process for a while."""
    with running_processor(folder) as (processor, work):
        path = processor.folder / "strikewatch.db"
        with closing(sqlite3.connect(path, isolation_level=None, timeout=10)) as intruder:
            intruder.execute("begin immediate")
            fire_and_rest(work)
            time.sleep(held_s)
            early = len(processor.alerts())
            intruder.execute("rollback")
        wrong = work.errors(processor, processor.recordings)
        refused = len(processor.lines("commit_refused"))
    return Line(
        f"locked by another process for {held_s:g} s",
        {"reported": refused, **wrong},
        broken(**wrong, alerts_while_locked=early, not_said=held_s > BUSY_S + 2 and not refused),
    )


def run_replaced(folder: Path) -> Line:
    """Replace the database file, and restore it with its log before the next start."""
    with running_processor(folder) as (processor, work):
        path, aside = processor.folder / "strikewatch.db", folder / "aside"
        aside.mkdir()
        _move(path, aside)
        with closing(sqlite3.connect(path)) as other:
            other.execute("create table other (x)")
        fire_and_rest(work)
        code = processor.wait(20)
        reported = (processor.folder / "stderr").read_text()
        for one in path.parent.glob(f"{path.name}*"):
            one.unlink()
        _move(aside / path.name, path.parent)
        processor.start()
        wrong = work.errors(processor, processor.recordings)
    return Line(
        "the file replaced, the right one put back, started again",
        {"exit_code": code, **wrong},
        broken(
            **wrong, ended_well=code == 0, not_said="was replaced or removed while in use" not in reported
        ),
    )


def _move(path: Path, folder: Path) -> None:
    """Move all files of a database."""
    for one in (path, path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-shm")):
        if one.exists():
            one.rename(folder / one.name)


def run_read_only(folder: Path) -> Line:
    """Start on a read-only disk, and again once it is writable."""
    with (
        SmallDisk(folder / "disk", mib=24) as disk,
        running_processor(folder, disk.folder / "watch.db") as (processor, work),
    ):
        assert processor.stop() == 0
        _remount(disk, "ro")
        fire_and_rest(work)
        processor.start(connected=False)
        code = processor.wait(60)
        reported = (processor.folder / "stderr").read_text()
        _remount(disk, "rw")
        processor.start()
        wrong = work.errors(processor, processor.recordings)
    return Line(
        "started on a read-only disk, then on one that may be written",
        {"exit_code": code, **wrong},
        broken(**wrong, ended_well=code == 0, not_said="may be written" not in reported),
    )


def run_turned_read_only(folder: Path) -> Line:
    """Remount the disk read-only for a while with the files open, as after a disk error."""
    with running_processor(folder) as (processor, work):
        path = processor.folder / "strikewatch.db"
        with frozen(path, path.with_name(f"{path.name}-wal")):
            fire_and_rest(work)
            until(lambda: processor.lines("commit_refused"))
            time.sleep(3)
            early = len(processor.alerts())
        wrong = work.errors(processor, processor.recordings)
        taken = bool(processor.lines("commit_succeeded"))
    return Line(
        "turned read-only while in use for 3 s",
        {"reported": len(processor.lines("commit_refused")), **wrong},
        broken(**wrong, alerts_while_read_only=early, did_not_go_on_by_itself=not taken),
    )


def _remount(disk: SmallDisk, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", str(disk.folder)], check=True)


def run_server_outage(folder: Path, how: str, end: Callable[[Postgresql], None]) -> Line:
    """Stop PostgreSQL for a while; restart the processor if it ends, as its supervisor would."""
    with (
        Postgresql() as postgresql,
        running_processor(folder, url=str(postgresql.database())) as (processor, work),
    ):
        end(postgresql)
        fire_and_rest(work)
        time.sleep(3)
        postgresql.start()
        starts = 0
        time.sleep(3)
        while processor.ended:
            starts += 1
            processor.start()
        wrong = work.errors(processor, processor.recordings)
        refused = len(processor.lines("commit_refused"))
    return Line(
        f"the server {how}, and back after 3 s",
        {"reported": refused, "starts": starts, **wrong},
        broken(**wrong, not_said=not refused and not starts),
    )


def parts(scale: float) -> dict[str, Part]:
    """Long locks, read-only disks and servers are part of the full trial only."""
    whole = scale >= 1
    made: dict[str, Callable[[Path], Line]] = {
        "locked": partial(run_locked, held_s=BUSY_S + 5 if whole else 0.5),
        "replaced": run_replaced,
        "turned read-only": run_turned_read_only,
    }
    if whole:
        made["read-only"] = run_read_only
        made["server stopped"] = partial(run_server_outage, how="stopped", end=Postgresql.stop)
        made["server killed"] = partial(run_server_outage, how="killed with -9", end=Postgresql.kill)
    return {name: partial(one_line, run=one) for name, one in made.items()}


TRIAL = Trial(
    "database",
    "locked, replaced or read-only: it is reported, nothing is acknowledged meanwhile, and nothing is lost",
    parts,
    0.1,
)
