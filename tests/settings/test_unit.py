"""config/strikewatch.service is a unit that systemd takes, and stops what stands."""

import configparser
import subprocess
from pathlib import Path

from tests.programs import need_program

UNIT = Path(__file__).parents[2] / "config" / "strikewatch.service"


def test_systemd_takes_it(tmp_path: Path) -> None:
    """Checked by systemd-analyze, with a program that is there in place of the installed one."""
    program = need_program("systemd-analyze")
    there = UNIT.read_text().replace("/opt/strikewatch/bin/strikewatch", "/bin/true")
    (tmp_path / UNIT.name).write_text(there)
    done = subprocess.run(
        [program, "verify", str(tmp_path / UNIT.name)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_one_that_stands_is_started_anew_and_compiling_is_waited_for() -> None:
    unit = configparser.ConfigParser(interpolation=None)
    unit.optionxform = str  # type: ignore[assignment]  # names of systemd's, as they are written
    unit.read_string(UNIT.read_text())
    service = unit["Service"]
    assert service["Type"] == "notify"
    assert int(service["WatchdogSec"]) >= 30  # longer than the 10 s that a write waits for a locked database
    assert service["Restart"] == "on-failure"
    assert int(service["TimeoutStartSec"]) > int(service["WatchdogSec"])
