"""Which settings file a command uses, and the settings in it."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from strikewatch.cli.output import detail, use_zones

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from strikewatch.settings.database import DatabaseSettings
    from strikewatch.settings.tree import Settings
    from strikewatch.storage.engines.shared import SharedDatabase

NAME: Final = "strikewatch.toml"
VARIABLE: Final = "STRIKEWATCH_CONFIG"
LOOKUP: Final = f"--config, ${VARIABLE}, ./{NAME}, the user's settings folder, the system's"


def load_settings(config: Path | None) -> "Settings":
    """Load the settings: of the named file, else of the first one found, else the defaults; then the environment.

    Raises SettingsError with every problem.
    """
    from strikewatch.settings.tree import load

    loaded = load(_path(config))
    use_zones(loaded.sites)
    return loaded


def load_database_settings(config: Path | None) -> "DatabaseSettings":
    """Load only the settings that a command on the database uses, as `load_settings` does. Raises SettingsError."""
    from strikewatch.settings.database import load_database_settings as load

    loaded = load(_path(config))
    use_zones(loaded.sites)
    return loaded


def open_database(settings: "DatabaseSettings | Settings") -> "SharedDatabase":
    """Open the database that the settings name, as a context manager. Raises StoreError."""
    from strikewatch.storage.engines.shared import SharedDatabase

    return SharedDatabase(settings.store.where)


@contextmanager
def open_connection(config: Path | None, *, write: bool = False) -> "Iterator[Connection]":
    """Open the database that the settings name, for one short transaction. Raises SettingsError, StoreError."""
    with (
        open_database(load_database_settings(config)) as database,
        database.write() if write else database.read() as connection,
    ):
        yield connection


def _path(config: Path | None) -> Path | None:
    if config is not None:
        origin = f" ({f'${VARIABLE}' if os.environ.get(VARIABLE) == str(config) else 'named'})"
    else:
        config = next((path for path in _candidates() if path.is_file()), None)
        origin = "" if config is None else " (found)"
    detail(f"settings: {config or 'defaults'}{origin}, and the environment")
    return config


def _candidates() -> Iterator[Path]:
    """Yield the places where a settings file is searched, in order."""
    yield Path(NAME)
    from platformdirs import PlatformDirs

    folders = PlatformDirs("strikewatch", appauthor=False, multipath=True)
    yield folders.user_config_path / NAME
    yield from (Path(folder) / NAME for folder in folders.site_config_dir.split(os.pathsep))
    if os.name == "posix":
        yield Path("/etc/strikewatch") / NAME
