"""Power cuts: what was acknowledged must be there afterwards.

The statements are the store's own, traced while it commits steps, with its own pragmas. They run again in a SQLite
whose file system (an apsw VFS) notes which writes have been synced. At a random write or sync the power goes: each
file is what was last synced, and of the writes since then any sectors or none have reached the disk. The store is then
opened on that. With synchronous OFF or NORMAL in place of FULL the same must lose something, else the shim would
prove nothing.
"""

import random
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import asdict, dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import apsw
import numpy as np

from strikewatch.core.batch import Rows
from strikewatch.storage.commit.step import Reject, StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines import sqlite
from tests.long.trials.trial import Line, Part, Trial, broken
from tests.storage.test_store import KEY, NOW, change

SECTOR = 512
STEPS = 40
ROWS = 60
PER_STEP = 48
"""Writes and syncs, about."""
CUTS = 20
"""Power cuts in one run over the steps."""
Write = tuple[int, bytes | None]
"""(offset, data), or (size, None) for a truncation."""


@dataclass
class Disk:
    """A simulated disk: synced data, and writes that a power cut may or may not keep."""

    synced: dict[str, bytearray] = field(default_factory=dict)
    since: dict[str, list[Write]] = field(default_factory=dict)
    before: Callable[[], None] = lambda: None

    def write(self, name: str, one: Write) -> None:
        self.before()
        self.since.setdefault(name, []).append(one)

    def sync(self, name: str) -> None:
        self.before()
        image = self.synced.setdefault(name, bytearray())
        for one in self.since.pop(name, []):
            _apply(image, one)

    def delete(self, name: str) -> None:
        self.synced.pop(name, None)
        self.since.pop(name, None)

    def after_a_cut(self, dice: random.Random) -> dict[str, bytes]:
        """The files as the next start finds them."""
        share = dice.choice((0.0, 0.5, 0.9, 1.0))
        found = {}
        for name in self.synced.keys() | self.since.keys():
            image = bytearray(self.synced.get(name, b""))
            for at, data in self.since.get(name, ()):
                if data is None:
                    if dice.random() < share:
                        _apply(image, (at, None))
                    continue
                for piece in range(0, len(data), SECTOR):
                    if dice.random() < share:
                        _apply(image, (at + piece, data[piece : piece + SECTOR]))
            found[name] = bytes(image)
        return found


def _apply(image: bytearray, one: Write) -> None:
    at, data = one
    if data is None:
        del image[at:]
        return
    if len(image) < at:
        image.extend(bytes(at - len(image)))
    image[at : at + len(data)] = data


class Shim(apsw.VFS):
    """A SQLite VFS that forwards everything to the default one and reports writes and syncs to the disk."""

    def __init__(self, disk: Disk) -> None:
        self.disk = disk
        super().__init__("power", "")

    def xOpen(self, name: Any, flags: Any) -> "ShimFile":  # noqa: N802 - SQLite's name
        return ShimFile(self.disk, name, flags)

    def xDelete(self, filename: str, syncdir: bool) -> None:  # noqa: N802 - SQLite's name
        super().xDelete(filename, syncdir)
        self.disk.delete(Path(filename).name)


class ShimFile(apsw.VFSFile):
    def __init__(self, disk: Disk, name: Any, flags: Any) -> None:
        self._disk = disk
        self._name = Path(name.filename() if isinstance(name, apsw.URIFilename) else str(name)).name
        super().__init__("", name, flags)

    def xWrite(self, data: bytes, offset: int) -> None:  # noqa: N802 - SQLite's name
        self._disk.write(self._name, (offset, bytes(data)))
        super().xWrite(data, offset)

    def xTruncate(self, newsize: int) -> None:  # noqa: N802 - SQLite's name
        self._disk.write(self._name, (newsize, None))
        super().xTruncate(newsize)

    def xSync(self, flags: int) -> None:  # noqa: N802 - SQLite's name
        super().xSync(flags)
        self._disk.sync(self._name)


@dataclass
class Outcome:
    cuts: int = 0
    acknowledged_rows: int = 0
    lost_rows: int = 0
    damaged: int = 0


def steps() -> list[StepRecord]:
    """Return steps with rows, an alert with its message, a state and a reject."""
    return [
        StepRecord(
            NOW + k,
            [(KEY, Rows(np.arange(ROWS) + NOW + k * 1000, {"oil_c": np.full(ROWS, float(k))}))],
            changes=[change(onset=NOW + 1000 * k)],
            states={KEY: b"%d" % k},
            layout="l",
            rejects=[Reject("t", b"%d" % k, "bad", "")],
        )
        for k in range(1, STEPS + 1)
    ]


def statements(folder: Path) -> tuple[bytes, list[str]]:
    """Return a new database, and the SQL that the store then executes in each step."""
    Store(folder / "watch.db", {"yard": "http://yard.test/"}).close()
    image = (folder / "watch.db").read_bytes()
    reported: list[str] = []
    store = Store(folder / "watch.db", {"yard": "http://yard.test/"})
    raw: Any = store._writer.connection.dbapi_connection
    raw.set_trace_callback(reported.append)
    for step in steps():
        store.commit(step)
    raw.set_trace_callback(None)
    store.close()
    return image, reported


def run(folder: Path, cuts: int, synchronous: str = "FULL", seed: int = 1) -> Outcome:
    """Simulate this many power cuts and count what they lost."""
    folder.mkdir(parents=True, exist_ok=True)
    image, reported = statements(folder)
    outcome = Outcome()
    while outcome.cuts < cuts:
        dice = random.Random(f"{seed} {outcome.cuts}")
        place = folder / str(outcome.cuts)
        place.mkdir()
        _one_run(place, image, reported, synchronous, dice, min(CUTS, cuts - outcome.cuts), outcome)
    return outcome


def _one_run(
    place: Path,
    image: bytes,
    reported: list[str],
    synchronous: str,
    dice: random.Random,
    cuts: int,
    outcome: Outcome,
) -> None:
    (place / "watch.db").write_bytes(image)
    disk = Disk(synced={"watch.db": bytearray(image)})
    acknowledged = n = 0
    # about as many writes and syncs as a run has
    when = set(dice.sample(range(5, PER_STEP * STEPS), cuts))

    def before() -> None:
        nonlocal n
        n += 1
        if n in when:
            _check_after_cut(place / f"cut{n}", disk.after_a_cut(dice), acknowledged, outcome)

    disk.before = before
    shim = Shim(disk)
    with closing(apsw.Connection(str(place / "watch.db"), vfs="power")) as database:
        for pragma in sqlite.PROCESSOR_PRAGMAS:
            database.execute(pragma.replace("=FULL", f"={synchronous}"))
        if dice.random() < 0.5:
            database.execute("PRAGMA wal_autocheckpoint=20")  # so that cuts come amid checkpoints too
        for sql in reported:
            database.execute(sql)
            acknowledged += sql == "COMMIT"
    disk.before = lambda: None
    for n in sorted(one for one in when if one > n):
        _check_after_cut(place / f"cut{n}", disk.after_a_cut(dice), acknowledged, outcome)
    shim.unregister()


def _check_after_cut(folder: Path, files: dict[str, bytes], acknowledged: int, outcome: Outcome) -> None:
    """Open the files that a power cut left with the store, and count what is missing."""
    folder.mkdir()
    for name, data in files.items():
        (folder / name).write_bytes(data)
    outcome.cuts += 1
    outcome.acknowledged_rows += acknowledged * ROWS
    try:
        store = Store(folder / "watch.db", {"yard": "http://yard.test/"})
        with store.read() as connection:
            sound = connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
            counts = [
                connection.exec_driver_sql(f"SELECT count(*) FROM {name}").scalar() or 0
                for name in ("arrived", "alerts", "rejects")
            ]
        state = int(store.load().states.get(KEY, ("", b"0"))[1])
        store.close()
    except Exception:  # noqa: BLE001 - whatever it is, the database cannot be used
        outcome.damaged += 1
        outcome.lost_rows += acknowledged * ROWS
        return
    outcome.damaged += not sound or set(counts) != {state}
    outcome.lost_rows += max(0, acknowledged - state) * ROWS


def parts(scale: float) -> dict[str, Part]:
    """Test the store as it is, and with fewer syncs, which must lose data."""
    cuts = max(20, round(200 * scale))
    return {
        synchronous: partial(_trial, cuts=cuts, synchronous=synchronous) for synchronous in ("FULL", "NORMAL")
    }


def _trial(folder: Path, cuts: int, synchronous: str) -> Iterator[Line]:
    found = run(folder, cuts, synchronous)
    if synchronous == "FULL":
        wrong = broken(acknowledged_rows_lost=found.lost_rows, databases_damaged=found.damaged)
    else:
        wrong = () if found.lost_rows else ("no row was lost with fewer syncs, so the trial proves nothing",)
    kind = (
        "as shipped"
        if synchronous == "FULL"
        else "with fewer syncs: rows must be lost, or the trial proves nothing"
    )
    yield Line(f"{cuts} power cuts amid commits, synchronous {synchronous}, {kind}", asdict(found), wrong)


TRIAL = Trial("power", "a power cut loses no acknowledged row", parts, 0.1)
