"""An export shows exactly what an erasure changes, and nothing after it."""

import json
from pathlib import Path

import pytest
from sqlalchemy import URL

from strikewatch.cli.main import main
from strikewatch.storage.privacy import erase, export_operator
from tests.storage.test_erasure import filled


def test_an_export_shows_the_places_of_an_erasure_and_no_other_operator(
    where: Path | URL, tmp_path: Path
) -> None:
    recordings = tmp_path / "recordings"
    store = filled(where, recordings)
    try:
        found = list(export_operator(store, recordings, "op-14"))
        others = {
            name: list(export_operator(store, recordings, name)) for name in ("op-1", "op-140", "op-99")
        }
        changed = erase(store, recordings, "op-14", apply=True)
        assert {where for where, _ in found} == set(changed)
        assert sum(where == "recordings" for where, _ in found) == changed["recordings"]
        assert sum(where == "spool" for where, _ in found) >= changed["spool"]
        assert list(export_operator(store, recordings, "op-14")) == []
        assert others["op-99"] == []
        for name, shown in others.items():
            assert list(export_operator(store, recordings, name)) == shown
    finally:
        store.close()
    alerts = [row for where, row in found if where == "alerts"]
    assert all(row["operator"] == "op-14" for row in alerts)
    assert alerts[0]["onset"].endswith("Z")
    (on,) = [row["signed_on"] for where, row in found if where == "states"]
    assert len(on) == 1


def test_the_command_prints_json_lines_and_a_tally(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    filled(tmp_path / "watch.db", tmp_path / "recordings").close()
    capsys.readouterr()  # what the processor logs
    config = tmp_path / "settings.toml"
    config.write_text(
        f'[store]\npath = "{tmp_path / "watch.db"}"\n[recording]\nfolder = "{tmp_path / "recordings"}"\n'
    )
    assert main(["export-operator", "op-14", "--config", str(config)]) == 0
    out, err = capsys.readouterr()
    assert {json.loads(line)["kept_in"] for line in out.splitlines()} >= {"alerts", "events", "outbox"}
    assert "Stored about op-14: " in err
    assert main(["export-operator", "op-99", "--config", str(config)]) == 0
    assert capsys.readouterr().err.startswith("Stored about op-99: nothing")
