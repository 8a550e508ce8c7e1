"""`strikewatch coaching` over a database: a talk is listed, filed under the last hammer, and can be withdrawn."""

import json
from pathlib import Path

import pytest

from strikewatch.cli.main import main
from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.core.stretch import AttributedStretch, Stretch
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store

HOUR = 3600 * SECOND
SITE = "fennick-hollow"
NOON = instant.parse("2026-07-08T12:00:00Z")
TALK = ("--time", "2026-07-08T14:00:00Z", "--by", "trainer")


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """Settings of a database in which op-14 worked on HB-01, then HB-02, and op-15 at two sites."""
    monkeypatch.setenv("COLUMNS", "80")
    settings = tmp_path / "strikewatch.toml"
    settings.write_text(f'[store]\npath = "{tmp_path / "watch.db"}"\n')
    work = ((SITE, "HB-01", 0, "op-14"), (SITE, "HB-02", 1, "op-14"), (SITE, "HB-03", 5, "op-14"))
    work += ((SITE, "HB-04", 0, "op-15"), ("other-pit", "HB-04", 0, "op-15"))
    stretches = tuple(
        AttributedStretch(
            Stretch((site, hammer), NOON + k * HOUR, NOON + (k + 1) * HOUR, 1e12, 1e11), operator, None
        )
        for site, hammer, k, operator in work
    )
    store = Store(tmp_path / "watch.db")
    store.commit(StepRecord(NOON, stretches=stretches))
    store.close()
    return str(settings)


def run(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["coaching", *words]) == 0
    return capsys.readouterr().out


def test_a_talk_is_logged_listed_and_withdrawn(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    here = ("--config", config)
    assert "No coaching is logged" in run(capsys, *here)
    first = run(capsys, "log", "op-14", "same_spot", "hot_oil", *TALK, "--note", "stop at 10 s", *here)
    assert "op-14 was coached on hot_oil, 2026-07-08 14:00 UTC, fennick-hollow" in first
    assert (
        run(capsys, "log", "op-14", "same_spot", "hot_oil", *TALK, "--note", "stop at 10 s", *here) == first
    )
    listed = [json.loads(line) for line in run(capsys, "--json", *here).splitlines()]
    assert [entry["fault"] for entry in listed] == ["hot_oil", "same_spot"]
    assert {(entry["operator"], entry["who"], entry["note"]) for entry in listed} == {
        ("op-14", "trainer", "stop at 10 s")
    }
    assert max(map(len, run(capsys, *here).splitlines())) <= 80
    number = str(listed[0]["number"])
    assert "Withdrawn" in run(capsys, "withdraw", number, "--by", "trainer", *here)
    left = [json.loads(line) for line in run(capsys, "--json", *here).splitlines()]
    assert [entry["fault"] for entry in left] == ["same_spot"]
    assert main(["coaching", "withdraw", number, "--by", "trainer", *here]) == 2
    assert "no coaching entry has the number" in capsys.readouterr().err


def test_a_talk_belongs_to_the_hammer_of_the_last_work_before_it(
    config: str, capsys: pytest.CaptureFixture[str]
) -> None:
    logged = run(capsys, "log", "op-14", "same_spot", *TALK, "--config", config, "--json")
    assert json.loads(logged)["hammer"] == "HB-02"


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["op-14", "hot_soil", *TALK], "'hot_soil' is not a fault of operators: choose from same_spot"),
        (
            ["op-41", "hot_oil", *TALK],
            "no work of op-41 before that time is on record; known operators: op-14, op-15",
        ),
        (
            ["op-14", "hot_oil", "--by", "x", "--time", "2026-07-08T09:00:00Z"],
            "no work of op-14 before that time",
        ),
        (["op-14", "hot_oil", "--by", "x", "--time", "2099-01-01T00:00:00Z"], "is in the future"),
        (["op-15", "hot_oil", *TALK], "op-15 worked at fennick-hollow, other-pit: choose one with --site"),
    ],
)
def test_a_talk_that_cannot_be_logged_says_why(
    config: str, capsys: pytest.CaptureFixture[str], words: list[str], why: str
) -> None:
    assert main(["coaching", "log", *words, "--config", config]) == 2
    assert why in " ".join(capsys.readouterr().err.split())
    assert "No coaching is logged" in run(capsys, "--config", config)
