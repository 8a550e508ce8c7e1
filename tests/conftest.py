"""What all tests share: databases, the compiled detectors, and the workers that run them."""

import fcntl
import logging
import os
import subprocess
import sys
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import structlog
from sqlalchemy import URL

from strikewatch import numba_cache
from tests import profiles, schedule
from tests.postgresql import Postgresql
from tests.programs import SKIPPED

if TYPE_CHECKING:
    from xdist.scheduler import LoadScopeScheduling

profiles.make_reproducible()

ROOT = Path(__file__).parents[1]


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Run twice as many workers as cores: many tests wait for brokers, databases, browsers and processes."""
    return 2 * (os.cpu_count() or 1)


def pytest_sessionstart(session: pytest.Session) -> None:
    """Compile the detectors once, before workers start that would each compile them; likewise the tests."""
    config = session.config
    if not getattr(config.option, "numprocesses", None):
        return
    config.option.loadscopereorder = False  # it begins with the files of most tests
    collect = [sys.executable, "-m", "pytest", "--collect-only", "-p", "no:cacheprovider", *config.args]
    precompile = [sys.executable, "-m", "strikewatch.service.precompile"]
    with Path(__file__).open() as file:
        fcntl.flock(file, fcntl.LOCK_EX)  # another session, begun at the same time, waits
        if numba_cache.ready():
            return
        # The workers show what is wrong with a file.
        with subprocess.Popen(collect, cwd=config.invocation_params.dir, stdout=subprocess.DEVNULL):
            subprocess.run(precompile, check=True, cwd=ROOT)


def pytest_sessionfinish() -> None:
    if "tests.browser" in sys.modules:
        sys.modules["tests.browser"].close_browser()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Sort the tests of workers, who run them in this order."""
    if hasattr(config, "workerinput"):
        place = {name: k for k, name in enumerate(schedule.ordered([item.nodeid for item in items]))}
        items.sort(key=lambda item: place[item.nodeid])


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> "LoadScopeScheduling | None":
    """Have one worker run what shares fixtures."""
    if config.getoption("dist") != "loadgroup":
        return None
    from xdist.scheduler import LoadScopeScheduling

    class Groups(LoadScopeScheduling):
        """Not by marks as `loadgroup` does, which have no effect with pytest 9.2."""

        def _split_scope(self, nodeid: str) -> str:
            return schedule.group(nodeid)

    return Groups(config, log)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.skipped:
        item.stash[SKIPPED] = True
    return report


@pytest.fixture(scope="session", autouse=True)
def _no_settings_of_the_user(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Commands find no settings file but those of a test."""
    nowhere = str(tmp_path_factory.mktemp("nowhere"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", nowhere)
        patch.setenv("XDG_CONFIG_DIRS", nowhere)
        patch.delenv("STRIKEWATCH_CONFIG", raising=False)
        patch.delenv("COLUMNS", raising=False)  # a worker of pytest-xdist sets it
        yield


@pytest.fixture
def log_restored() -> Iterator[None]:
    """For tests that set up the log: what was before comes back."""
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    yield
    for handler in root.handlers[:]:
        if handler not in handlers:
            root.removeHandler(handler)
            handler.close()
    root.handlers[:] = handlers
    root.setLevel(level)
    structlog.reset_defaults()


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
