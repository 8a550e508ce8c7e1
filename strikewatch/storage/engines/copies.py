"""Copies of a SQLite database: made while it is in use, checked, and put in its place."""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

from strikewatch.errors import StoreError
from strikewatch.storage.engines import disk

PAGES: Final = 4096
"""How many pages are copied at a time (16 MiB)."""
BESIDE: Final = ("", "-wal", "-shm")
"""What SQLite adds to a database's name for the files that belong to it."""


def backup(path: Path, target: Path) -> int:
    """Copy the SQLite database at `path` to `target` by SQLite's online backup; return the copy's size in bytes.

    The copy holds one committed state even while others write. It is for this user only, is synced and checked before
    it gets its name, and replaces an older file of that name. Raises StoreError with the remedy.
    """
    part = target.with_name(f".{target.name}.part")
    try:
        if not path.is_file():
            raise StoreError(f"there is no database {path}: see the setting store.path")
        if target.exists() and target.samefile(path):
            raise StoreError(f"{target} is the database itself: name another file")
        part.unlink(missing_ok=True)
        disk.create_file(part)
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=10)) as source:
            _copy(source, part)
        disk.sync(part)
        part.replace(target)
        disk.sync(target.parent)
        return target.stat().st_size
    except (OSError, sqlite3.Error) as error:
        part.unlink(missing_ok=True)
        raise StoreError(
            f"cannot copy {path} to {target}: {error}. Check that its disk has room and that it may be written"
        ) from error


def _copy(source: sqlite3.Connection, part: Path) -> None:
    with closing(sqlite3.connect(part, isolation_level=None)) as copy:
        source.execute(
            "BEGIN"
        )  # one state for the whole copy: otherwise a busy writer makes it start over again and again
        source.execute("SELECT count(*) FROM sqlite_master").fetchall()
        source.backup(copy, pages=PAGES)
        copy.execute("PRAGMA journal_mode=DELETE")  # a single file without a log
        (found,) = copy.execute("PRAGMA integrity_check").fetchone()
        if found != "ok":
            raise StoreError(f"the database is damaged, and so is its copy {part}: {found}")


def replace_database(path: Path, new: Path, suffix: str) -> Path | None:
    """Put the database file `new` in place of the one at `path`; return the name that the old one now has.

    The old one keeps the files that belong to it, under its new name, `path` with a `suffix`; None if there was none.
    Nobody may have it open. Interrupted, it leaves the old database, or none. Raises StoreError.
    """
    aside = path.with_name(f"{path.name}{suffix}")
    try:
        kept = path.exists() and path.stat().st_size > 0
        for end in BESIDE:
            file = path.with_name(f"{path.name}{end}")
            if file.exists():
                file.rename(aside.with_name(f"{aside.name}{end}"))
        new.rename(path)
        disk.sync(path.parent)
    except OSError as error:
        raise StoreError(f"cannot put {new} in place of {path}: {error}") from error
    if not kept:
        aside.unlink(missing_ok=True)
        return None
    return aside
