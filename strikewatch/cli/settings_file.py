"""Which settings file a command uses, and the settings in it."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from strikewatch.cli.output import detail

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from strikewatch.settings.database import DatabaseSettings
    from strikewatch.settings.tree import Settings

NAME: Final = "strikewatch.toml"
VARIABLE: Final = "STRIKEWATCH_CONFIG"
LOOKUP: Final = f"--config, ${VARIABLE}, ./{NAME}, the user's settings folder, the system's"


def load_settings(config: Path | None) -> "Settings":
    """Load the settings: of the named file, else of the first one found, else the defaults; then the environment.

    Raises SettingsError with every problem.
    """
    from strikewatch.cli.rendering.common import use_zones
    from strikewatch.settings.tree import load

    tree = load(_path(config))
    use_zones(tree.sites)
    return tree


def load_database_settings(config: Path | None) -> "DatabaseSettings":
    """Load only the settings that a command on the database uses, as `load_settings` does. Raises SettingsError."""
    from strikewatch.cli.rendering.common import use_zones
    from strikewatch.settings.database import load_database_settings as load

    loaded = load(_path(config))
    use_zones(loaded.sites)
    return loaded


@contextmanager
def open_connection(config: Path | None, *, write: bool = False) -> "Iterator[Connection]":
    """Open the database that the settings name, for one short transaction. Raises SettingsError, StoreError."""
    from strikewatch.storage.engines.shared import SharedDatabase

    with (
        SharedDatabase(load_database_settings(config).store.where) as database,
        database.write() if write else database.read() as connection,
    ):
        yield connection


def _path(config: Path | None) -> Path | None:
    path = config or find()
    detail(
        f"settings: {path or 'defaults'}{'' if path is None else f' ({_origin(config)})'}, and the environment"
    )
    return path


def find() -> Path | None:
    """Return the first settings file among the candidates, or None."""
    return next((path for path in candidates() if path.is_file()), None)


def candidates() -> Iterator[Path]:
    """Yield where a settings file is looked for when none is named, in order."""
    yield Path(NAME)
    from platformdirs import PlatformDirs

    folders = PlatformDirs("strikewatch", appauthor=False, multipath=True)
    yield folders.user_config_path / NAME
    yield from (Path(folder) / NAME for folder in folders.site_config_dir.split(os.pathsep))
    if os.name == "posix":
        yield Path("/etc/strikewatch") / NAME


def _origin(config: Path | None) -> str:
    if config is None:
        return "found"
    return "named" if os.environ.get(VARIABLE) != str(config) else f"${VARIABLE}"
