"""docker-compose.yml holds to the compose specification and to what lies in the project."""

import re
import subprocess
import sys
from pathlib import Path

from strikewatch.settings.environment import PREFIX, variables
from strikewatch.settings.tree import Settings

TOP = Path(__file__).parents[2]
COMPOSE = TOP / "docker-compose.yml"


def test_it_holds_to_the_schema() -> None:
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


def test_every_file_it_mounts_or_builds_from_is_there() -> None:
    text = COMPOSE.read_text()
    paths = re.findall(r"- (\./[^:]+):", text) + re.findall(r"dockerfile: (\S+)", text)
    assert len(paths) == 5
    for path in paths:
        assert (TOP / path).is_file(), path


def test_its_variables_are_settings_and_no_password_is_in_it() -> None:
    text = COMPOSE.read_text()
    names = set(re.findall(rf"^\s+({PREFIX}\w+):", text, re.MULTILINE))
    assert len(names) == 5
    assert names <= variables(Settings).keys()
    assert not re.search(r"(password|secret)s?[:=][ \t]*\S", text.split("services:")[1], re.IGNORECASE)


def test_the_image_copies_what_is_there() -> None:
    for sources in re.findall(r"^COPY (.+) \S+$", (TOP / "config" / "Dockerfile").read_text(), re.MULTILINE):
        for source in sources.split():
            assert (TOP / source).exists(), source


def test_the_detectors_are_compiled_by_the_user_who_runs_them() -> None:
    """A cache that this user cannot write to is left alone, and every start would compile anew."""
    text = (TOP / "config" / "Dockerfile").read_text()
    assert text.index("\nUSER strikewatch\n") < text.index("\nRUN strikewatch replay ")
    assert re.search(r"install -d -o strikewatch .*/opt/strikewatch/compiled$", text, re.MULTILINE)
    assert "NUMBA_CACHE_DIR=/opt/strikewatch/compiled" in text
