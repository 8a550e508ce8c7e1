"""An alert of the processor itself is of no hammer: page, interface and commands show and handle it all the same."""

from pathlib import Path

import pytest

from strikewatch.cli.main import main
from strikewatch.core.instant import SECOND
from strikewatch.engine.self_alerts import DiskFull
from strikewatch.storage.commit.step import StepRecord
from tests.web.site import NOW, SITE, site


def test_it_is_listed_shown_and_acknowledged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with site(tmp_path, look_freely=True) as at:
        alert = DiskFull()
        at.store.commit(StepRecord(NOW + SECOND, changes=alert.look(True, [SITE], NOW + SECOND, 0)))
        token = at.token("Ada", "act")
        found = at.ask("GET", "/api/v1/alerts?fault=disk_full", token=token).json["alerts"]
        assert [(one["hammer"], one["priority"], one["state"]) for one in found] == [
            ("", "high", "unacknowledged")
        ]
        own = found[0]["id"]
        for sheet in ("/", "/alerts", "/week", f"/alerts/{SITE}/{own}"):
            shown = at.ask("GET", sheet)
            assert shown.status == 200, sheet
            assert sheet == "/week" or "Disk full" in shown.text
        assert "out-of-service" not in at.ask("GET", f"/alerts/{SITE}/{own}").text
        assert at.ask("GET", f"/trace/{SITE}/{own}").json["time_s"] == []
        done = at.ask("POST", f"/api/v1/alerts/{own}/acknowledge", {"comment": "on it"}, token)
        assert (done.status, done.json["changed"]) == (200, 1)
        assert at.ask("GET", "/api/v1/figures?end=2026-03-01T00:00:00Z", token=token).status == 200
        (tmp_path / "s.toml").write_text(f'[store]\npath = "{tmp_path / "watch.db"}"\n')
        for command, words in ((["alerts"], "disk_full"), (["alarm-metrics"], SITE)):
            capsys.readouterr()
            assert main([*command, "--config", str(tmp_path / "s.toml")]) == 0
            assert words in capsys.readouterr().out
