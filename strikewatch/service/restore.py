"""Restore the database from a copy, and fill the time since then from the recordings.

1. The copy is checked. What the present database has not recorded yet is recorded, if it can still be read.
2. The copy takes its place; the present database is kept beside it.
3. The recordings that the copy does not know are replayed (`recorded/catch_up`). Alerts get the same ids. Messages are
   queued, but those that were delivered before are marked as sent.

Step 3 may be interrupted and repeated: rows that are known already are skipped.
"""

from contextlib import closing
from pathlib import Path

from sqlalchemy.exc import SQLAlchemyError

from strikewatch.core.instant import Instant
from strikewatch.errors import InputError, StoreError, StrikewatchError
from strikewatch.service.endpoints import open_store
from strikewatch.service.recorded.catch_up import CatchUp, Restored, to_second
from strikewatch.settings.tree import Settings
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines.copies import backup, replace_database
from strikewatch.storage.engines.sqlite import NO_BEGIN, WriterLock, open_engine
from strikewatch.storage.recorder.delivery_log import Delivery, delivered
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.schema.version import read_version


def restore(settings: Settings, copy: Path | None, now: Instant) -> Restored:
    """Put `copy` in place of the database and replay what was recorded since; without a copy only the latter.

    The processor must not run. Raises StoreError and InputError with the remedy.
    """
    done = Restored()
    former: list[Delivery] = []
    if copy is not None:
        path = settings.store.where
        if not isinstance(path, Path):
            raise InputError(
                "restore a PostgreSQL database with pg_restore, then run: strikewatch restore --recordings-only"
            )
        former = _replace_with(settings, copy, path.resolve(), now, done)
    try:
        with closing(open_store(settings)) as store:
            CatchUp(settings, store, now, done).run(former, complete=copy is not None and not done.unread)
    except StrikewatchError as error:
        if copy is None:
            raise
        again = "the copy is in place; then repeat the rest with strikewatch restore --recordings-only"
        raise StoreError(f"{error}. Not all recordings were replayed: {again}") from error
    return done


def _replace_with(settings: Settings, copy: Path, path: Path, now: Instant, done: Restored) -> list[Delivery]:
    """Put the copy in place; return what the former database had delivered, if it can be read."""
    _check_copy(copy, path)
    WriterLock(path).release()  # raises StoreError while a processor runs
    new = path.with_name(f".{path.name}.restored")
    backup(copy, new)  # raises StoreError if it is damaged
    former: list[Delivery] = []
    if path.stat().st_size == 0:
        done.unread = f"there was no database {path}"
    else:
        try:
            with closing(Store(path)) as store:
                Recorder(store, settings.recording).flush(now)
                with store.read() as connection:
                    former = delivered(connection, since=0)
        except StoreError as error:
            done.unread = str(error)
    lock = WriterLock(path)
    try:
        done.aside = replace_database(path, new, f".before-restore-{_compact(now)}")
    finally:
        lock.release()
    return former


def _check_copy(copy: Path, path: Path) -> None:
    """Raise StoreError unless the copy is a database of this program that this release can use."""
    if not copy.is_file():
        raise StoreError(f"there is no copy {copy}: name a file that strikewatch backup made")
    if path.exists() and copy.samefile(path):
        raise StoreError(f"{copy} is the database itself: name a copy of it")
    engine = open_engine(copy, ["PRAGMA query_only=ON"])
    try:
        with engine.execution_options(**{NO_BEGIN: True}).connect() as connection:
            if read_version(connection, str(copy)) is None:
                raise StoreError(f"{copy} is empty: name a file that strikewatch backup made")
    except SQLAlchemyError as error:
        cause = getattr(error, "orig", None) or error  # without the SQL
        raise StoreError(
            f"{copy} cannot be used ({cause}): name a file that strikewatch backup made"
        ) from error
    finally:
        engine.dispose()


def _compact(at: Instant) -> str:
    return to_second(at).replace("-", "").replace(":", "")
