"""Settings: one tree, every mistake at once, and a file in which every setting stands with its default."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from strikewatch.deliver.webhook import Settings as Webhook
from strikewatch.errors import SettingsError
from strikewatch.settings import Settings, load

CONFIG = Path(__file__).parents[2] / "config"
SHIPPED = CONFIG / "strikewatch.toml"


def leaves(model: BaseModel, path: tuple[str, ...] = ()) -> dict[tuple[str, ...], Any]:
    """Every setting of a tree by its path."""
    found: dict[tuple[str, ...], Any] = {}
    for name in type(model).model_fields:
        value = getattr(model, name)
        if isinstance(value, BaseModel):
            found |= leaves(value, (*path, name))
        else:
            found[(*path, name)] = value
    return found


def test_the_shipped_file_is_valid_and_says_the_defaults() -> None:
    usual = leaves(Settings())
    for path, value in leaves(load(SHIPPED)).items():
        if path[0] not in ("hammers", "hammers_file"):
            assert value == usual[path], path


def test_every_setting_stands_in_the_shipped_file_once() -> None:
    told: set[tuple[str, ...]] = set()
    table: tuple[str, ...] = ()
    for line in SHIPPED.read_text().splitlines():
        if header := re.fullmatch(r"(?:# )?\[+([a-z_.]+)\]+", line):
            table = tuple(header[1].split("."))
        elif setting := re.match(r"(?:# )?([a-z_]+) = ", line):
            path = (*table, setting[1])
            assert path not in told, path
            told.add(path)
    expected = {path for path in leaves(Settings()) if path[-1] not in ("hammers", "webhooks", "tls")}
    expected |= {("webhooks", name) for name in Webhook.model_fields}
    expected |= {("mqtt", "tls", name) for name in ("ca_file", "cert_file", "key_file")}
    assert told == expected


def test_all_mistakes_at_once_each_with_its_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "hammers.toml").write_text("[HB-01.hot_oil]\nlimt_c = 80\n[HB-02.same_spots]\nlimit_s = 1\n")
    file = tmp_path / "wrong.toml"
    file.write_text(
        'hammers_file = "hammers.toml"\n[mqtt]\nport = "many"\nhots = "x"\n'
        "[faults.same_spot]\nlimit_s = -1\n[faults.hot_oil]\ncool_c = 90\n"
    )
    monkeypatch.setenv("STRIKEWATCH_MQTT__PROT", "1")
    with pytest.raises(SettingsError) as caught:
        load(file)
    paths = [path for path, _ in caught.value.problems]
    assert {"mqtt.port", "mqtt.hots", "faults.same_spot.limit_s", "STRIKEWATCH_MQTT__PROT"} <= set(paths)
    assert "did you mean STRIKEWATCH_MQTT__PORT?" in str(caught.value)
    assert "cool_c must not be above limit_c" in str(caught.value)


def test_mistakes_of_single_hammers_are_told_with_the_hammer(tmp_path: Path) -> None:
    (tmp_path / "hammers.toml").write_text("[HB-01.hot_oil]\nlimt_c = 80\n[HB-02.same_spots]\nlimit_s = 1\n")
    file = tmp_path / "s.toml"
    file.write_text('hammers_file = "hammers.toml"\n')
    with pytest.raises(SettingsError) as caught:
        load(file)
    assert [path for path, _ in caught.value.problems] == [
        "hammers.HB-01.hot_oil.limt_c",
        "hammers.HB-02.same_spots",
    ]


def test_a_hammer_differs_only_in_what_its_table_says() -> None:
    settings = load(SHIPPED)
    assert settings.of_hammer(("any", "HB-05"))["grease"].nipples == 1  # type: ignore[attr-defined]
    assert settings.of_hammer(("any", "HB-01"))["grease"].nipples is None  # type: ignore[attr-defined]
    assert settings.of_hammer(("any", "HB-05"))["same_spot"] == settings.faults.same_spot


def test_the_environment_overrides_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "s.toml"
    file.write_text('[mqtt]\nhost = "a"\nport = 1\n')
    monkeypatch.setenv("STRIKEWATCH_MQTT__HOST", "b")
    monkeypatch.setenv("STRIKEWATCH_FAULTS__SAME_SPOT__LIMIT_S", "12.5")
    settings = load(file)
    assert (settings.mqtt.host, settings.mqtt.port, settings.faults.same_spot.limit_s) == ("b", 1, 12.5)


def test_a_secret_may_stand_in_a_variable_that_the_file_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "s.toml"
    file.write_text(
        '[[webhooks]]\nname = "office"\nurl = "https://x.example/h"\nsecret_env = "STRIKEWATCH_SECRET_1"\n'
    )
    monkeypatch.setenv("STRIKEWATCH_SECRET_1", "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    assert load(file).webhooks[0].name == "office"


@pytest.mark.parametrize("text", ["[mqtt\n", "\xff"])
def test_a_file_that_is_no_toml(tmp_path: Path, text: str) -> None:
    file = tmp_path / "s.toml"
    file.write_bytes(text.encode("latin-1"))
    with pytest.raises(SettingsError, match="is not TOML"):
        load(file)


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "strikewatch.cli", "settings", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_the_command_prints_toml_of_what_is_in_force_and_marks_what_differs(tmp_path: Path) -> None:
    file = tmp_path / "s.toml"
    file.write_text("[faults.same_spot]\nlimit_s = 12\n")
    done = run("--config", str(file))
    assert done.returncode == 0
    assert tomllib.loads(done.stdout)["faults"]["same_spot"]["limit_s"] == 12.0
    assert "faults.same_spot.limit_s = 12.0  # differs from the default, 15.0" in done.stdout


def test_the_command_exits_2_with_every_mistake(tmp_path: Path) -> None:
    file = tmp_path / "s.toml"
    file.write_text("[mqtt]\nport = 0\nnmae = 1\n")
    done = run("--config", str(file))
    assert done.returncode == 2
    assert done.stdout == ""
    assert "mqtt.port" in done.stderr
    assert "mqtt.nmae" in done.stderr
