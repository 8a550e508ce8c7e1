"""The logger files of the guide are converted as it shows."""

import shlex
from pathlib import Path

import pytest

from strikewatch.cli.main import main
from tests.guide.documents import marked

FILES = {
    "shift.csv": ("log",),
    "sources.toml": ("table", "can"),
    "breaker.dbc": ("dbc",),
    "bench.log": ("candump",),
}


@pytest.mark.parametrize("marker", ["convert", "replay"])
def test_a_shown_run_prints_what_is_shown(
    marker: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "120")
    for name, markers in FILES.items():
        text = "\n".join(marked("recordings.md", each) for each in markers)
        (tmp_path / name).write_text(text, encoding="utf-8")
    command, *shown = marked("recordings.md", marker).splitlines()
    assert main(shlex.split(command.removeprefix("$ "))[1:]) == 0
    out, err = capsys.readouterr()
    printed = [" ".join(line.split()) for line in out.splitlines()]
    for line in shown:
        assert line == "…" or " ".join(line.split()) in printed
    assert "left out" not in err
