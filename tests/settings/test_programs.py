"""External programs are found in one place; what is missing skips a test, or fails it in CI."""

from pathlib import Path

import pytest

from strikewatch import programs
from strikewatch.programs import HIDDEN, find_program
from tests.programs import need_program


@pytest.fixture(autouse=True)
def _nothing_is_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(HIDDEN, raising=False)


def program(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("#!/bin/sh\n")
    path.chmod(0o755)
    return path


def test_a_program_is_found_by_any_of_its_names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert find_program("chromium") is None
    browser = program(tmp_path / "chromium-browser")
    assert find_program("chromium") == str(browser)


def test_the_newest_version_of_a_server_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By number: 9 is older than 15."""
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(programs, "_FOLDERS", (f"{tmp_path}/*/bin",))
    program(tmp_path / "9/bin/postgres")
    newest = program(tmp_path / "15/bin/postgres")
    assert find_program("postgres") == str(newest)


def test_a_hidden_program_is_not_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    program(tmp_path / "mosquitto")
    monkeypatch.setenv(HIDDEN, "postgres,mosquitto")
    assert find_program("mosquitto") is None


@pytest.mark.parametrize(("all_run", "outcome"), [("0", pytest.skip.Exception), ("1", pytest.fail.Exception)])
def test_a_missing_program_skips_a_test_or_fails_it_in_ci(
    all_run: str, outcome: type[BaseException], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STRIKEWATCH_ALL", all_run)
    monkeypatch.setenv(HIDDEN, "postgres")
    with pytest.raises(outcome, match="apt-get install postgresql"):
        need_program("postgres")
