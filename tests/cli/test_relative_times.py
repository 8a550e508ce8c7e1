"""`--since 2h` counts back from the present, to the second, also over the night in which summer time begins."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from freezegun import freeze_time

from strikewatch.cli.main import main
from strikewatch.core.instant import SECOND
from tests.engine.scenario import AlertScenario

RAISED = datetime(2026, 3, 28, 23, 30, tzinfo=UTC)
"""In Dublin an hour and a half before the clocks go forward."""


@pytest.fixture
def config(tmp_path: Path) -> Iterator[Path]:
    """Settings of a site in Dublin, with a database in which one alert was raised then."""
    scenario = AlertScenario(tmp_path)
    scenario.now = int(RAISED.timestamp()) * SECOND
    scenario.raise_("HB-01", "same_spot")
    path = tmp_path / "settings.toml"
    path.write_text(f'[store]\npath = "{scenario.path}"\n[sites]\nzone = "Europe/Dublin"\n')
    yield path
    scenario.close()


@pytest.mark.parametrize(("since", "span"), [("2h", timedelta(hours=2)), ("1d", timedelta(days=1))])
def test_an_alert_is_listed_until_it_is_older(
    since: str, span: timedelta, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for late_s, listed in ((-5, 1), (5, 0)):
        with freeze_time(RAISED + span + timedelta(seconds=late_s), real_asyncio=True):
            assert main(["alerts", "--since", since, "--json", "--config", str(config)]) == 0
        assert len(capsys.readouterr().out.splitlines()) == listed
