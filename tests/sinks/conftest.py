"""Fixtures of the delivery tests."""

import logging
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog

from tests.sinks.bench import SECRET, Clock


@pytest.fixture(autouse=True)
def _secret(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCH_SECRET", SECRET)


@pytest.fixture(autouse=True)
def _log_restored() -> Iterator[None]:
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


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "watch.db"
