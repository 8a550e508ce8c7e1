"""`strikewatch check` tells each trouble from the others, over real brokers and files."""

import json
from pathlib import Path
from typing import Any

import pytest

from strikewatch.cli.main import main
from strikewatch.storage.commit.store import Store
from tests.broker import Broker, free_port


def look(
    folder: Path, capsys: pytest.CaptureFixture[str], port: int, more: str = ""
) -> tuple[int, dict[str, Any]]:
    (folder / "s.toml").write_text(
        f'[store]\npath = "{folder / "w.db"}"\n[mqtt]\nhost = "127.0.0.1"\nport = {port}\n{more}'
    )
    capsys.readouterr()  # what the test itself brought about
    code = main(["check", "--json", "--config", str(folder / "s.toml")])
    return code, {one["what"]: one for one in map(json.loads, capsys.readouterr().out.splitlines())}


def test_all_well_then_each_trouble_by_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Store(tmp_path / "w.db").close()
    (tmp_path / "pw").write_text("right\n")
    (tmp_path / "pw").chmod(0o600)
    signed = f'username = "p"\npassword_file = "{tmp_path / "pw"}"\n'
    with Broker(tmp_path, users={"p": "right"}) as broker:
        code, found = look(tmp_path, capsys, broker.port, signed)
        assert code == 0
        assert {one["word"] for one in found.values()} <= {"ok", "attention"}
        assert found["sign-in"]["word"] == found["secret"]["word"] == found["database"]["word"] == "ok"
        (tmp_path / "pw").write_text("wrong\n")
        (tmp_path / "pw").chmod(0o644)
        code, found = look(tmp_path, capsys, broker.port, signed)
        assert (code, found["sign-in"]["word"], found["secret"]["word"]) == (1, "trouble", "attention")
        assert "wrong" not in json.dumps(found)
    code, found = look(tmp_path, capsys, free_port())
    assert code == 1
    assert found["broker"]["seen"].endswith("refuses")
    (tmp_path / "w.db").write_bytes(b"no database" * 1000)
    assert look(tmp_path, capsys, free_port())[1]["database"]["word"] == "trouble"
