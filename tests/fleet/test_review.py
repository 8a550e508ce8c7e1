"""The review of one site from a fleet's tables is that of its recordings."""

import json
import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from strikewatch.cli.main import main
from strikewatch.fleet.replay import replay_fleet
from strikewatch.settings.tree import load
from tests.fleet.fleet import SHIFTS

NAMES = ("hot-bench", "hired-out")


def _json(words: list[str], capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    capsys.readouterr()
    assert main(words) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_a_site_is_reviewed_from_the_tables_as_from_its_recordings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """In two runs; another site in the same tables does not count. Wear and highlights need recordings."""
    monkeypatch.chdir(tmp_path)
    shifts, other, fleet = tmp_path / "shifts", tmp_path / "other", tmp_path / "fleet"
    for name in NAMES:
        shutil.copytree(SHIFTS / name, shifts / name)
        replay_fleet([shifts / name], fleet, load())
    other.mkdir()
    samples = pd.read_csv(SHIFTS / "trench-feed" / "samples.csv")
    samples.assign(site="elsewhere").to_csv(other / "samples.csv", index=False)
    replay_fleet([other], fleet, load())
    span = ["--from", "2026-01-01T00:00:00Z", "--to", "2026-12-31T00:00:00Z", "--json"]
    expected = _json(["review", str(shifts), "--moments", "0", *span], capsys)
    found = _json(["fleet", "review", str(fleet), "--site", "fennick-hollow", *span], capsys)
    assert len(expected["operators"]) > 5
    for name in expected.keys() - {"moments", "wear", "coaching"}:
        assert found[name] == expected[name], name


def test_an_unknown_site_is_answered_with_those_there_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    replay_fleet([SHIFTS / "hot-bench"], tmp_path / "fleet", load())
    assert main(["fleet", "review", str(tmp_path / "fleet"), "--site", "nowhere"]) == 2
    assert "there are: fennick-hollow" in capsys.readouterr().err
