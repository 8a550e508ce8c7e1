"""The saved states of hammers, for commands that read little else.

SQLAlchemy takes a third of the time of such a command to import. So a SQLite file with this release's tables is read
through its driver; any other database, and one that cannot be read so, in the usual way, which words what is wrong.
"""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from strikewatch.storage.commit.states import unpack
from strikewatch.storage.schema import SCHEMA_VERSION, VERSION_TABLE

if TYPE_CHECKING:
    from sqlalchemy import URL

    from strikewatch.core.batch import Key

_BUSY_S = 10.0
_VERSION = f"SELECT version_num FROM {VERSION_TABLE}"
_STATES = (
    "SELECT site, hammer, layout, state FROM hammer_state "
    "WHERE site = coalesce(?, site) AND hammer = coalesce(?, hammer) ORDER BY site, hammer"
)

SavedState = tuple["Key", str, bytes]
"""A hammer, the layout of its state, and the state."""


def saved_states(where: "Path | URL", site: str | None, hammer: str | None) -> list[SavedState]:
    """Return the saved states of all matching hammers, sorted by name. Raises StoreError."""
    found = _from_file(where, site, hammer) if isinstance(where, Path) else None
    if found is None:
        from strikewatch.storage.engines.shared import SharedDatabase
        from strikewatch.storage.queries.baselines import states

        with SharedDatabase(where) as database:
            found = states(database, site, hammer)
    return found


def _from_file(path: Path, site: str | None, hammer: str | None) -> list[SavedState] | None:
    """Read a SQLite file; None if it cannot be read, or has the tables of another release."""
    address = f"{path.absolute().as_uri()}?mode=rw"  # with read-only access SQLite would leave its log behind
    try:
        with closing(sqlite3.connect(address, uri=True, timeout=_BUSY_S)) as connection:
            if connection.execute(_VERSION).fetchone() != (SCHEMA_VERSION,):
                return None
            rows = connection.execute(_STATES, (site, hammer)).fetchall()
    except sqlite3.Error:
        return None
    return [((site, hammer), *unpack(layout, stored)) for site, hammer, layout, stored in rows]
