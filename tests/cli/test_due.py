"""`strikewatch due` over the database that a processor left: what comes due, when, and what is not watched."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from strikewatch.cli.main import main
from strikewatch.core import instant
from strikewatch.core.batch import Batch, Portion, Rows
from strikewatch.core.instant import SECOND
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.state import LAYOUT
from strikewatch.settings.tree import load
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store

HOUR = 3600 * SECOND
KEY = ("fennick-hollow", "HB-01")
NOW = instant.parse("2026-03-10T12:00:00Z")


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Settings of a database with eight days of five hours, without engine speed; the clock stops at the last row."""
    settings = tmp_path / "strikewatch.toml"
    settings.write_text(
        f'[store]\npath = "{tmp_path / "watch.db"}"\n[recording]\nfolder = "{tmp_path / "recordings"}"\n'
        "[faults.upkeep]\ninspection_soon_days = 30\ninspection_due_days = 40\ninspection_overdue_days = 50\n"
    )
    pipeline = Pipeline(load(settings).of_hammer)
    for day in range(8):
        times = NOW - (7 - day) * 24 * HOUR - np.arange(5 * 360, -1, -1) * 10 * SECOND
        rows = Rows(times, {"active": np.zeros(len(times))})
        pipeline.commit(pipeline.step(Batch([Portion(KEY, rows, int(times[-1]))])))
    store = Store(tmp_path / "watch.db")
    states = {KEY: pipeline.saved(KEY)}
    store.commit(StepRecord(NOW, [], [], [], [], [], states, LAYOUT, [], {}, ()))
    store.close()
    monkeypatch.setattr("time.time_ns", lambda: NOW)
    return settings


def test_due_items_have_hours_left_and_a_forecast(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """After 40 h of work 10 h are left, two days at five a day."""
    assert main(["due", "--config", str(config), "--json"]) == 0
    expected = {one["what"]: one for one in map(json.loads, capsys.readouterr().out.splitlines())}
    assert expected["grease"]["level"] == "overdue"
    inspection = expected["inspection"]
    assert inspection["hours_left"] == pytest.approx(10.0, abs=0.01)
    assert inspection["earliest_days"] == inspection["latest_days"] == pytest.approx(2.0, abs=0.01)
    assert inspection["recorded"] is False
    assert expected["service"]["hours_left"] == pytest.approx(960.0, abs=0.01)


@pytest.mark.parametrize(
    ("command", "unused"),
    [("due", ("numba", "sqlalchemy")), ("baseline", ("sqlalchemy",)), ("usage", ("numba",))],
)
def test_a_command_on_a_hammer_loads_only_what_it_uses(
    config: Path, command: str, unused: tuple[str, ...]
) -> None:
    """Each of these takes about as long to import as all else that the command does."""
    code = (
        "import sys\nfrom strikewatch.cli.main import main\n"
        f"assert main([{command!r}, '--config', {str(config)!r}, '--json']) == 0\n"
        f"assert not {set(unused)!r} & sys.modules.keys()\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL, timeout=120)


def test_a_database_without_hammers_needs_no_detector(tmp_path: Path) -> None:
    """So the answer comes as quickly as that of other commands on the database."""
    Store(tmp_path / "watch.db").close()
    settings = tmp_path / "strikewatch.toml"
    settings.write_text(f'[store]\npath = "{tmp_path / "watch.db"}"\n')
    code = (
        "import sys\nfrom strikewatch.cli.main import main\n"
        f"assert main(['due', '--config', {str(settings)!r}]) == 0\n"
        "assert not {'numpy', 'strikewatch.detectors.registry'} & sys.modules.keys()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, timeout=120
    )
    assert "No matching hammer has data yet." in done.stdout


def test_the_table_lists_what_is_not_monitored(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["due", "--config", str(config)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "in about 2 days" in out
    assert "Not monitored on HB-01:" in out
    assert "off_square (no tilt_deg in the feed)" in out
    assert "never a safety function" in out


def test_an_unknown_hammer_is_reported(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["due", "--config", str(config), "--hammer", "HB-09"]) == 0
    assert "No matching hammer has data yet." in capsys.readouterr().out


def test_without_a_running_processor_the_last_known_state_is_shown(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("time.time_ns", lambda: NOW + 100 * 24 * HOUR)
    assert main(["due", "--config", str(config)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Last processed: HB-01 2026-03-10 12:00 UTC." in out
    assert " -" not in out.partition("inspection")[2].partition("service")[0]
