"""What every test of deliveries starts from."""

from pathlib import Path

import pytest

from tests.deliver.yard import SECRET, Clock


@pytest.fixture(autouse=True)
def _secret(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("YARD_SECRET", SECRET)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "watch.db"
