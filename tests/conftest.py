"""The databases that tests run over: SQLite's file, and a real PostgreSQL."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import URL

from tests.postgresql import Postgresql


@pytest.fixture(scope="session", autouse=True)
def _no_settings_of_the_user(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Commands find no settings file but those of a test."""
    nowhere = str(tmp_path_factory.mktemp("nowhere"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", nowhere)
        patch.setenv("XDG_CONFIG_DIRS", nowhere)
        patch.delenv("STRIKEWATCH_CONFIG", raising=False)
        yield


@pytest.fixture(scope="session")
def postgresql() -> Iterator[Postgresql]:
    with Postgresql() as server:
        yield server


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> Path | URL:
    """An empty database of each kind."""
    if request.param == "sqlite":
        return tmp_path / "data" / "watch.db"
    server: Postgresql = request.getfixturevalue("postgresql")
    return server.database()
