"""`strikewatch alerts`, `hammer` and `alarm-metrics` as a user runs them, while a processor's store is open."""

import json
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from freezegun import freeze_time

from strikewatch.cli.main import main
from strikewatch.core.instant import SECOND
from tests.cli.command import strikewatch
from tests.engine.scenario import AlertScenario


@pytest.fixture
def scenario(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[AlertScenario]:
    """Three alerts of today; the store stays open, as that of a running processor."""
    one = AlertScenario(tmp_path)
    one.now = time.time_ns() - 3600 * SECOND
    one.raise_("HB-03", "grease_overdue")
    one.raise_("HB-01", "same_spot", "high")
    one.clear(one.raise_("HB-01", "hot_oil"))
    (tmp_path / "settings.toml").write_text(f'[store]\npath = "{one.path}"\n')
    monkeypatch.setenv("STRIKEWATCH_CONFIG", str(tmp_path / "settings.toml"))
    monkeypatch.setenv("COLUMNS", "80")
    yield one
    one.close()


def run_command(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert main(arguments) == 0
    return capsys.readouterr().out


def lines(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in run_command(capsys, *arguments, "--json").splitlines()]


def test_open_alerts_are_listed_in_80_columns_and_filtered(
    scenario: AlertScenario, capsys: pytest.CaptureFixture[str]
) -> None:
    table = run_command(capsys, "alerts")
    assert max(map(len, table.splitlines())) <= 80
    for alert in scenario.raised:
        assert alert.id[:6] in table
    assert [one["fault"] for one in lines(capsys, "alerts", "--priority", "high")] == ["same_spot"]
    assert [one["fault"] for one in lines(capsys, "alerts", "--hammer", "HB-03", "--since", "2h")] == [
        "grease_overdue"
    ]
    assert [one["fault"] for one in lines(capsys, "alerts", "--state", "returned_unacknowledged")] == [
        "hot_oil"
    ]
    assert run_command(capsys, "alerts", "--site", "elsewhere") == "No alerts.\n"
    # `told` is the earlier name of `sent_as`, which programs may still read.
    assert [(one["sent_as"], one["told"]) for one in lines(capsys, "alerts")] == [("alone", "alone")] * 3
    # The gravest active one first, what has ended last.
    assert [one["fault"] for one in lines(capsys, "alerts")] == ["same_spot", "grease_overdue", "hot_oil"]
    assert "2 of 3 alerts; --limit 3 shows all." in run_command(capsys, "alerts", "--limit", "2")
    assert main(["alerts", "--limit", "2", "--json"]) == 0
    out, err = capsys.readouterr()
    assert (len(out.splitlines()), err) == (2, "2 of 3 alerts; --limit 3 lists all.\n")


def test_every_active_alert_is_listed(scenario: AlertScenario, capsys: pytest.CaptureFixture[str]) -> None:
    for n in range(300):
        scenario.raise_("HB-02", f"fault_{n}", "low")
    for n in range(210):
        scenario.clear(scenario.raise_("HB-02", f"ended_{n}", "low"))
    found = lines(capsys, "alerts")
    assert [one["priority"] for one in found[:2]] == ["high", "medium"]
    assert len(found) == 302 + 200
    assert "502 of 513 alerts" in run_command(capsys, "alerts")


def test_muted_faults_are_listed_with_how_to_end_each(
    scenario: AlertScenario, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_command(capsys, "alerts", "--muted") == "muted  nothing\n"
    config = scenario.path.parent / "settings.toml"
    config.write_text(config.read_text() + '[alarms]\nsuppressed = ["cold_oil"]\n')
    high = scenario.raised[1]
    shelving = ("--for", "2h", "--by", "manager", "--reason", "at noon")
    run_command(capsys, "alerts", "shelve", high.id, *shelving)
    run_command(capsys, "hammer", "out-of-service", "HB-03", "--by", "fitter", "--reason", "seals")
    scenario.clear(high)
    listed = run_command(capsys, "alerts")
    for words in (
        "all faults of HB-03 at fennick-hollow: out of service until it is ended",
        "by fitter: seals; 1 active",
        "to end it: strikewatch hammer in-service HB-03 --site",
        "same_spot of HB-01 at fennick-hollow: shelved, up to high priority until",
        "by manager: at noon; 0 active",
        "cold_oil of all hammers: suppressed until the settings change",
    ):
        assert words in listed
    assert max(map(len, listed.splitlines())) <= 80
    kinds = [one["kind"] for one in lines(capsys, "alerts", "--muted")]
    assert kinds == ["out_of_service", "shelved", "suppressed_by_design"]
    ending = ("hammer", "end-shelving", "HB-01", "same_spot", "--by", "manager")
    assert "Shelving ended; 0 active alerts changed." in run_command(capsys, *ending)
    assert "It was not shelved." in run_command(capsys, *ending)
    run_command(capsys, "hammer", "in-service", "HB-03", "--by", "fitter")
    kinds = [one["kind"] for one in lines(capsys, "alerts", "--muted")]
    assert kinds == ["suppressed_by_design"]
    assert main(["alerts", "shelve", high.id, *shelving]) == 2  # it has ended
    assert "has ended, so it cannot be shelved; acknowledge it" in capsys.readouterr().err


def test_a_user_acknowledges_shelves_and_reads_the_history(scenario: AlertScenario) -> None:
    """Run in separate processes while the store is open; repeating an action is no error."""
    short, config = scenario.raised[0].id[:6], scenario.path.parent / "settings.toml"
    for printed_text in ("Acknowledged.", "It needs no acknowledgement."):
        done = strikewatch(
            "alerts", "--config", config, "acknowledge", short, "--by", "manager", "--comment", "called"
        )
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout.splitlines()[0] == printed_text
    scenario.escalate(scenario.raised[0])  # the processor goes on writing
    shelved = strikewatch(
        "alerts", "shelve", short, "--for", "2h", "--by", "manager", "--reason", "at noon", "--config", config
    )
    assert shelved.stdout.startswith("Shelved until ")
    history = strikewatch("alerts", "history", short, "--json", "--config", config)
    found = [json.loads(line) for line in history.stdout.splitlines()]
    assert [(one["event"], one["by"], one["to"], one["why"]) for one in found] == [
        ("raised", "strikewatch", "unacknowledged", ""),
        ("acknowledge", "manager", "acknowledged", "called"),
        ("escalated", "strikewatch", "unacknowledged", "medium to high"),
        ("shelve", "manager", "shelved", "at noon"),
    ]


@pytest.mark.usefixtures("scenario")
def test_a_hammer_is_taken_out_of_service_and_put_back(capsys: pytest.CaptureFixture[str]) -> None:
    out = ("hammer", "out-of-service", "HB-03", "--by", "fitter", "--reason", "seals")
    assert "HB-03 at fennick-hollow is out of service until it is put back in service; 1 open" in run_command(
        capsys, *out
    )
    assert lines(capsys, *out)[0]["changed"] == 0
    assert [one["state"] for one in lines(capsys, "alerts", "--hammer", "HB-03")] == ["out_of_service"]
    (back,) = lines(capsys, "hammer", "in-service", "HB-03", "--by", "fitter")
    assert (back["service"], back["changed"]) == ("in_service", 1)


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("alerts", "acknowledge", "xyz", "--by", "a"), "is not an alert's id"),
        (("alerts", "acknowledge", "000000", "--by", "a"), "no alert has an id that begins with 000000"),
        (("alerts", "shelve", "{0}", "--for", "2x", "--by", "a", "--reason", "b"), "write 45min, 2h or 3d"),
        (("alerts", "shelve", "{0}", "--for", "400h", "--by", "a", "--reason", "b"), "for at most 168 h"),
        (
            ("alerts", "shelve", "{0}", "--for", "2h", "--by", " ", "--reason", "b"),
            "give the name of the person",
        ),
        (("alerts", "shelve", "{0}", "--for", "2h", "--by", "a", "--reason", " "), "give a reason"),
        (
            ("hammer", "out-of-service", "HB-09", "--by", "a", "--reason", "b"),
            "known hammers: fennick-hollow/HB-01",
        ),
        (("alarm-metrics", "--from", "1h", "--to", "2h"), "--from must be before --to"),
        (("alarm-metrics", "--site", "elsewhere"), "elsewhere has no alerts"),
    ],
)
def test_a_wrong_request_names_the_remedy(
    scenario: AlertScenario, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], problem: str
) -> None:
    filled = [one.replace("{0}", scenario.raised[0].id) for one in arguments]
    assert main(filled) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert problem in err


@pytest.mark.usefixtures("scenario")
def test_metrics_are_shown_with_their_targets(capsys: pytest.CaptureFixture[str]) -> None:
    table = run_command(capsys, "alarm-metrics", "--from", "1d")
    assert max(map(len, table.splitlines())) <= 80
    assert "about 150 acceptable, 300 the most" in table
    (found,) = lines(capsys, "alarm-metrics", "--from", "1d", "--site", "fennick-hollow")
    assert (found["alerts"], found["busiest_10_min"]) == (3, 3)


def test_a_missing_database_is_reported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "settings.toml").write_text(f'[store]\npath = "{tmp_path / "none.db"}"\n')
    assert main(["alerts", "--config", str(tmp_path / "settings.toml")]) == 1
    assert "there is no database" in capsys.readouterr().err
    assert not (tmp_path / "none.db").exists()


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
def test_a_relative_from_counts_back_across_a_clock_change(
    since: str, span: timedelta, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for late_s, listed in ((-5, 1), (5, 0)):
        with freeze_time(RAISED + span + timedelta(seconds=late_s), real_asyncio=True):
            assert main(["alerts", "--since", since, "--json", "--config", str(config)]) == 0
        assert len(capsys.readouterr().out.splitlines()) == listed
