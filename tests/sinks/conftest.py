"""Fixtures of the delivery tests."""

from pathlib import Path

import pytest

from tests.sinks.bench import SECRET, Clock


@pytest.fixture(autouse=True)
def _log(log_restored: None) -> None:
    """Every test may set up the log."""


@pytest.fixture(autouse=True)
def _secret(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCH_SECRET", SECRET)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "watch.db"
