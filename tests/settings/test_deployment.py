"""docker-compose.yml and the systemd unit are valid, and agree with the project's files and settings."""

import configparser
import re
import subprocess
import sys
from pathlib import Path

from strikewatch.settings.environment import PREFIX, variables
from strikewatch.settings.tree import Settings
from tests.programs import need_program

TOP = Path(__file__).parents[2]
COMPOSE = TOP / "docker-compose.yml"


def test_the_compose_file_is_valid_by_its_published_schema() -> None:
    """The Compose Specification's own schema, as `check-jsonschema` carries it."""
    command = [
        sys.executable,
        "-m",
        "check_jsonschema",
        "--builtin-schema",
        "vendor.compose-spec",
        str(COMPOSE),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_file_that_the_compose_file_uses_exists() -> None:
    text = COMPOSE.read_text()
    paths = re.findall(r"- (\./[^:]+):", text) + re.findall(r"dockerfile: (\S+)", text)
    assert len(paths) == 6
    for path in paths:
        assert (TOP / path).is_file(), path


def test_the_compose_file_sets_known_settings_and_no_password() -> None:
    text = COMPOSE.read_text()
    names = set(re.findall(rf"^\s+({PREFIX}\w+):", text, re.MULTILINE))
    assert len(names) == 5
    assert names <= variables(Settings).keys()
    assert not re.search(r"(password|secret)s?[:=][ \t]*\S", text.split("services:")[1], re.IGNORECASE)


def test_the_image_copies_existing_files() -> None:
    for sources in re.findall(r"^COPY (.+) \S+$", (TOP / "config" / "Dockerfile").read_text(), re.MULTILINE):
        for source in sources.split():
            assert (TOP / source).exists(), source


def test_the_detectors_are_compiled_by_the_user_who_runs_them() -> None:
    """With a cache that this user cannot write to, every start would compile again."""
    text = (TOP / "config" / "Dockerfile").read_text()
    assert text.index("\nUSER strikewatch\n") < text.index("\nRUN python -m strikewatch.service.precompile\n")
    assert re.search(r"install -d -o strikewatch .*/opt/strikewatch/compiled$", text, re.MULTILINE)
    assert "NUMBA_CACHE_DIR=/opt/strikewatch/compiled" in text


UNIT = Path(__file__).parents[2] / "config" / "strikewatch.service"


def test_systemd_accepts_the_unit(tmp_path: Path) -> None:
    """Checked by systemd-analyze, with an existing program in place of the installed one."""
    program = need_program("systemd-analyze")
    there = UNIT.read_text().replace("/opt/strikewatch/bin/strikewatch", "/bin/true")
    (tmp_path / UNIT.name).write_text(there)
    done = subprocess.run(
        [program, "verify", str(tmp_path / UNIT.name)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_a_hung_processor_is_restarted_and_start_up_has_time_to_compile() -> None:
    unit = configparser.ConfigParser(interpolation=None)
    unit.optionxform = str  # type: ignore[assignment]  # names of systemd's, as they are written
    unit.read_string(UNIT.read_text())
    service = unit["Service"]
    assert service["Type"] == "notify"
    assert int(service["WatchdogSec"]) >= 30  # longer than the 10 s that a write waits for a locked database
    assert service["Restart"] == "on-failure"
    assert int(service["TimeoutStartSec"]) > int(service["WatchdogSec"])
