"""The log holds the documented alert record for machines, and a sentence for people."""

import json
import logging
import os
import sys
from pathlib import Path
from typing import Literal

import pytest
import structlog

from strikewatch.core.alert import Alert, Change
from strikewatch.sinks import log
from strikewatch.sinks.settings import LogSettings

ONSET = 1_772_608_500_000_000_000


def change(deliver: bool = True) -> Change:
    alert = Alert("hot_oil", "pit", "HB-03", None, "high", ONSET, historic=True)
    alert.describe = lambda: ({"peak_c": 86.0}, "oil at 86 °C")
    return Change("raised", "pit", "HB-03", alert.id, alert.record(), ONSET, deliver=deliver)


def test_the_json_log_has_the_documented_alert_record_on_one_line(tmp_path: Path) -> None:
    file = tmp_path / "logs" / "watch.log"
    log.set_up(LogSettings(form="json", file=file))
    log.log_changes([change(), change(deliver=False)])
    (line,) = file.read_text("utf-8").splitlines()
    told = json.loads(line)
    assert told.pop("timestamp").endswith("Z")
    assert told.pop("level") == "info"
    assert told == {"event": "alert", "step": "raised", **change().record}


def test_the_console_log_shows_an_alert_as_a_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    log.set_up(LogSettings())
    log.log_changes([change()])
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "HB-03 hot_oil raised (high, historic): oil at 86 °C" in shown.err
    assert "operator=unassigned" in shown.err
    assert shown.err.count("\n") == 1


def test_libraries_log_to_the_same_destination_in_the_same_form(tmp_path: Path) -> None:
    file = tmp_path / "watch.log"
    log.set_up(LogSettings(form="json", level="warning", file=file))
    logging.getLogger("some.library").warning("it is %s", "late")
    logging.getLogger("some.library").info("unheard")
    structlog.get_logger("ours").info("unheard")
    structlog.get_logger("ours").error("broken", place="disk")
    theirs, ours = [json.loads(line) for line in file.read_text().splitlines()]
    assert (theirs["event"], theirs["level"], theirs["logger"]) == ("it is late", "warning", "some.library")
    assert (ours["event"], ours["level"], ours["place"]) == ("broken", "error", "disk")


SECRET = "whsec_" + "d2hpc3BlcmVk" * 3


def fail(secret: str) -> None:
    """Raise an error with a secret among the local variables."""
    held = {"key": secret}
    raise ValueError(f"cannot use a key of {len(held['key'])} characters")


@pytest.mark.parametrize("form", ["json", "console"])
@pytest.mark.parametrize("terminal", [False, True])
def test_a_traceback_shows_no_local_variables(
    form: Literal["json", "console"],
    terminal: bool,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """In our own lines and in those of libraries; also in the colours of a terminal."""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal)
    log.set_up(LogSettings(form=form))
    try:
        fail(SECRET)
    except ValueError as error:
        structlog.get_logger("ours").exception("broken")
        logging.getLogger("some.library").exception("broken")
        logging.getLogger("some.library").error("broken", exc_info=error)
    shown = capsys.readouterr().err
    assert shown.count("cannot use a key of 42 characters") == 3
    assert SECRET not in shown


def test_the_log_file_is_reopened_after_rotation(tmp_path: Path) -> None:
    file = tmp_path / "watch.log"
    log.set_up(LogSettings(form="json", file=file))
    structlog.get_logger("a").info("one")
    file.rename(tmp_path / "old.log")
    structlog.get_logger("a").info("two")
    assert "two" in file.read_text()


def test_the_log_file_is_private_whatever_the_umask(tmp_path: Path) -> None:
    """One that an earlier release left open to others is made private, with a line that says so."""
    file = tmp_path / "logs" / "log"
    before = os.umask(0)
    try:
        log.set_up(LogSettings(form="json", file=file))
    finally:
        os.umask(before)
    assert [one.stat().st_mode & 0o077 for one in (file.parent, file)] == [0, 0]
    file.chmod(0o644)
    log.set_up(LogSettings(form="json", file=file))
    assert file.stat().st_mode & 0o077 == 0
    assert "permissions_tightened" in file.read_text()


def test_a_log_whose_folder_is_gone_stops_nobody_and_goes_on_when_it_is_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "logs" / "watch.log"
    log.set_up(LogSettings(file=path))
    path.unlink()
    path.parent.rmdir()
    for _ in range(2):
        logging.getLogger("library").error("written to no file")
    assert "No such file or directory" in capsys.readouterr().err
    path.parent.mkdir()
    logging.getLogger("library").error("written again")
    assert "written again" in path.read_text()
