"""`strikewatch settings`: checks everything, shows what is in force, and keeps secrets to itself."""

import tomllib
from pathlib import Path

import pytest

from strikewatch.settings.tree import load
from tests.cli.command import Done, strikewatch

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"


def run(*arguments: str) -> Done:
    return strikewatch("settings", *arguments)


def test_settings_are_printed_as_toml_with_differences_marked(tmp_path: Path) -> None:
    file = tmp_path / "s.toml"
    file.write_text("[faults.same_spot]\nlimit_s = 12\n")
    done = run("--config", str(file))
    assert done.returncode == 0
    assert tomllib.loads(done.stdout)["faults"]["same_spot"]["limit_s"] == 12.0
    marked = [line for line in done.stdout.splitlines() if "differs" in line]
    assert marked == ["faults.same_spot.limit_s = 12.0  # differs from the default, 15.0"]


def test_the_printed_settings_can_be_loaded_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All values other than defaults are kept: tables in lists, hammers, quoted names, paths, TLS."""
    (tmp_path / "secret").write_text(SECRET)
    (tmp_path / "hammers.toml").write_text('["HB 3".hot_oil]\nlimit_c = 79\noil_grade = "VG 68"\n')
    file, again = tmp_path / "s.toml", tmp_path / "elsewhere" / "again.toml"
    file.write_text(
        f"""hammers_file = "hammers.toml"
        [faults.grease]
        nipples = 2
        [mqtt]
        username = "a \\"b\\" \\\\ \\u007f \u00fc"
        password_file = "{tmp_path}/secret"
        tls.ca_file = "{tmp_path}/secret"
        [[webhooks]]
        name = "a"
        url = "https://x.example/"
        secret_file = "{tmp_path}/secret"
        retry_s = [0.001, 1e-5, 7]
        [[webhooks]]
        name = "b"
        url = "https://y.example/"
        secret_env = "STRIKEWATCH_SECRET_B"
        filter.hours = ["Mon-Fri 06:00-18:00"]
        [sites]
        zones = {{pit = "Europe/Berlin", "old quay" = "America/New_York"}}
        [heartbeat]
        url = "https://z.example/"
        secret_env = "STRIKEWATCH_SECRET_B"
        """
    )
    monkeypatch.setenv("STRIKEWATCH_SECRET_B", SECRET)
    done = run("--config", str(file))
    assert done.returncode == 0, done.stderr
    again.parent.mkdir()
    again.write_text(done.stdout)
    before, after = load(file).model_dump(), load(again).model_dump()
    assert before.pop("hammers_file") == tmp_path / "hammers.toml"
    assert after.pop("hammers_file") is None
    assert after == before
    assert SECRET not in done.stdout


def test_the_settings_command_exits_with_2_and_every_mistake(tmp_path: Path) -> None:
    file = tmp_path / "s.toml"
    file.write_text("[mqtt]\nport = 0\nnmae = 1\n")
    done = run("--config", str(file))
    assert done.returncode == 2
    assert done.stdout == ""
    assert f"{file}: mqtt.port: " in done.stderr
    assert f"{file}: mqtt.nmae: " in done.stderr


def test_required_files_are_checked(tmp_path: Path) -> None:
    (tmp_path / "empty").write_text("\n")
    (tmp_path / "weak").write_text("whsec_aHVzaA==")
    file = tmp_path / "s.toml"
    file.write_text(
        f"""[mqtt]
        username = "u"
        password_file = "{tmp_path}/empty"
        tls.ca_file = "{tmp_path}/absent"
        [[webhooks]]
        name = "a"
        url = "https://x.example/"
        secret_file = "{tmp_path}/weak"
        [[webhooks]]
        name = "b"
        url = "https://y.example/"
        secret_env = "STRIKEWATCH_SECRET_B"
        """
    )
    done = run("--config", str(file))
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.splitlines()[:2] == [
        f"strikewatch: mqtt.password_file: {tmp_path}/empty is empty",
        f"mqtt.tls.ca_file: {tmp_path}/absent cannot be read (No such file or directory)",
    ]
    assert "webhook a secret_file: " in done.stderr
    assert "webhook b secret_env: the environment variable STRIKEWATCH_SECRET_B is not set" in done.stderr
    assert "aHVzaA" not in done.stderr
