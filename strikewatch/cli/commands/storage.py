"""What is done to the store by hand: a copy of it, and what is kept of an operator: shown, and forgotten."""

import json
import sys
from collections import Counter
from pathlib import Path

from strikewatch.errors import InputError
from strikewatch.settings.tree import load
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines.backup import backup
from strikewatch.storage.engines.shared import Beside
from strikewatch.storage.privacy import erasure
from strikewatch.storage.privacy.export import kept


def copy(target: Path, config: Path | None) -> int:
    """Copy the database, in use or not, to a file. Raises StoreError, and InputError for PostgreSQL."""
    store = load(config).store
    if store.url is not None:
        raise InputError(
            "PostgreSQL makes its own copies: "
            f"pg_dump --format=custom --file={target} {store.url}, and pg_restore takes them back"
        )
    size = backup(store.path, target)
    print(
        f"{target}: {size / 2**20:.1f} MiB, whole and checked. To restore it, stop the processor, move the database"
    )
    print(
        f"{store.path} and what is beside it (-wal, -shm) away, put the copy in its place, and start again."
    )
    return 0


def kept_of(name: str, config: Path | None) -> int:
    """Print all that is kept of an operator, one JSON object a line; a tally to standard error. Raises StoreError."""
    settings = load(config)
    tally: Counter[str] = Counter()
    with Beside(settings.store.where) as place:
        for where, row in kept(place, settings.recording.folder, name):
            tally[where] += 1
            print(json.dumps({"kept_in": where, **row}, ensure_ascii=True))
    told = ", ".join(f"{n:,} in {where}" for where, n in sorted(tally.items())) or "nothing"
    print(
        f"Kept of {name}: {told}. Not looked into: logs, copies of the database, and what endpoints were sent.",
        file=sys.stderr,
    )
    return 0


def forget(name: str, config: Path | None, *, really: bool) -> int:
    """Replace an operator's id wherever it is kept, and say where that was. Raises StoreError."""
    settings = load(config)
    store = Store(settings.store.where)
    try:
        changed = erasure.forget(store, settings.recording.folder, name, really=really)
    finally:
        store.close()
    for place, n in sorted(changed.items()):
        print(f"{n:>9,}  {place}")
    if not changed:
        print(f"{name} is nowhere in {store.name} and the recordings.")
    elif really:
        print(f"{name} is now '{erasure.FORGOTTEN}' there; all counts are as they were.")
    else:
        print(
            f"So many entries name {name}. Nothing was changed: say --yes to have it done. It cannot be undone."
        )
    held = [str(path) for path in (settings.log.file,) if path is not None]
    print(
        f"Not touched: {', '.join(held) or 'the log'}, copies of the database, and what endpoints were sent."
    )
    return 0
