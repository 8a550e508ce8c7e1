"""What all tests share: databases, the compiled detectors, and which tests run in one worker."""

import logging
import os
import subprocess
import sys
from collections.abc import Generator, Iterator, Sequence
from pathlib import Path

import pytest
import structlog
from sqlalchemy import URL

from strikewatch import numba_cache
from tests import profiles
from tests.postgresql import Postgresql
from tests.programs import SKIPPED

profiles.make_reproducible()

ROOT = Path(__file__).parents[1]
TRIALS = "tests/service/test_trials.py"
SPREAD = ("tests/detectors", "tests/guide", "tests/long/fleet/test_stream.py", "tests/service")
"""Long files of independent tests, which any worker may take. Of all other files, each is run by one worker."""
FIRST = (
    "tests/web/test_browser.py",
    TRIALS,  # many processes at once, with times that matter: one after the other
    "tests/storage/test_kill.py",
    "tests/physics/test_blank_firing.py",
    "tests/review",
    "tests/cli",
    "tests/physics",
    "tests/sinks",
    "tests/storage",
    "tests/web",
)
"""What takes longest is begun first, so that all workers end at about the same time."""
WAITING = "tests/service"
"""Tests that mostly wait for processes. Workers run them in between others, so that the cores are never idle."""
LAST = ("tests/detectors",)
"""Hundreds of short tests, to fill the gaps."""


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
    if numba_cache.ready():
        return
    collect = [sys.executable, "-m", "pytest", "--collect-only", "-p", "no:cacheprovider", *config.args]
    precompile = [sys.executable, "-m", "strikewatch.service.precompile"]
    # The workers show what is wrong with a file.
    with subprocess.Popen(collect, cwd=config.invocation_params.dir, stdout=subprocess.DEVNULL):
        subprocess.run(precompile, check=True, cwd=ROOT)


def pytest_sessionfinish() -> None:
    if "tests.browser" in sys.modules:
        sys.modules["tests.browser"].close_browser()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Group and sort tests for `--dist loadgroup`."""
    if not config.pluginmanager.hasplugin("xdist"):
        return
    for item in items:
        group = _group(item)
        if group is not None:
            item.add_marker(pytest.mark.xdist_group(group))
    items.sort(key=_rank)
    if hasattr(config, "workerinput"):
        items[:] = _with_waiting_in_between(items)


def _with_waiting_in_between(items: Sequence[pytest.Item]) -> list[pytest.Item]:
    """Return the tests with those of `WAITING` spread evenly over all that come before `LAST`."""
    waiting, busy, last = list[pytest.Item](), list[pytest.Item](), list[pytest.Item]()
    for item in items:
        file = _file(item)
        waits = file.startswith(WAITING) and file != TRIALS
        (waiting if waits else last if file.startswith(LAST) else busy).append(item)
    position = {item: k / len(group) for group in (busy, waiting) for k, item in enumerate(group)}
    return [*sorted([*busy, *waiting], key=position.__getitem__), *last]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.skipped:
        item.stash[SKIPPED] = True
    return report


def _group(item: pytest.Item) -> str | None:
    """Return the name of what one worker runs: a file, or the detectors' tests of some seeds, which share streams."""
    file = _file(item)
    if file == TRIALS or not file.startswith(SPREAD):
        return file
    if not file.startswith(LAST):
        return None
    seed = item.callspec.params.get("seed") if hasattr(item, "callspec") else None
    return None if seed is None else f"{LAST[0]} seeds {seed // 5}"


def _file(item: pytest.Item) -> str:
    return item.path.relative_to(ROOT).as_posix()


def _rank(item: pytest.Item) -> int:
    file = _file(item)
    if file.startswith(LAST):
        return len(FIRST) + 1
    return next((k for k, first in enumerate(FIRST) if file.startswith(first)), len(FIRST))


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
