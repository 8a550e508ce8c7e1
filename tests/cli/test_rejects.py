"""`strikewatch rejects`, `channels` and `survey` as a user runs them, while a processor's store is open beside them."""

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import URL

from strikewatch.cli.main import main
from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.core.instant import SECOND
from strikewatch.storage.commit.step import FeedCount, Reject, StepRecord
from strikewatch.storage.commit.store import Store

HB_01, HB_02 = ("fennick-hollow", "HB-01"), ("fennick-hollow", "HB-02")
HOUR = 3600 * SECOND


def topic(hammer: str) -> str:
    return f"strikewatch/fennick-hollow/{hammer}/samples"


@pytest.fixture
def store(where: Path | URL, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    """Of a running processor; HB-01 went wrong three days ago, HB-02 in this hour."""
    made = Store(where)
    now = time.time_ns()
    old = Reject(
        topic("HB-01"), b'{"pressure_bar":"142"}', "bad_value", 'pressure_bar: is wrong; got "142"', HB_01
    )
    made.commit(StepRecord(now - 72 * HOUR, rejects=[old] * 3))
    hostile = Reject(
        topic("HB-02"), b"\xff\x1b[31m\r\n[bold]" + b"x" * 3_000_000, "not_json", "\x1b]0;", HB_02
    )
    late = Reject("/".join(HB_02), b"{}", "late", "40 rows", HB_02, 40)
    key = FeedCount(
        HB_02, "unknown_key", 7, "presure_bar", "unknown key `presure_bar`; did you mean `pressure_bar`?"
    )
    made.commit(StepRecord(now, rejects=[hostile, late], feed=[key, FeedCount(HB_02, "duplicate", 2)]))
    name = f'path = "{where}"' if isinstance(where, Path) else f'url = "{where.render_as_string(False)}"'
    (tmp_path / "settings.toml").write_text(f"[store]\n{name}\n[mqtt]\nport = 1\n")
    monkeypatch.setenv("STRIKEWATCH_CONFIG", str(tmp_path / "settings.toml"))
    monkeypatch.setenv("COLUMNS", "80")
    yield made
    made.close()


def run_command(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert main(arguments) == 0
    return capsys.readouterr().out


def lines(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in run_command(capsys, *arguments, "--json").splitlines()]


@pytest.mark.usefixtures("store")
def test_rejects_are_listed_by_sender_with_the_first_bad_value_and_the_remedy(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = run_command(capsys, "rejects")
    assert text.index("fennick-hollow/HB-02") < text.index("fennick-hollow/HB-01")
    for printed_text in ('got "142"', "3 in all, 0 since yesterday", "did you mean `pressure_bar`?"):
        assert printed_text in text
    assert "40 in all" in text
    assert max(map(len, text.splitlines())) <= 80
    assert text.count("remedy: ") == 5
    found = lines(capsys, "rejects")
    assert [(one["sender"], one["reason"], one["count"]) for one in found] == [
        ("fennick-hollow/HB-02", "late", 40),
        ("fennick-hollow/HB-02", "unknown_key", 7),
        ("fennick-hollow/HB-02", "duplicate", 2),
        ("fennick-hollow/HB-02", "not_json", 1),
        ("fennick-hollow/HB-01", "bad_value", 3),
    ]
    assert {one["hammer"] for one in lines(capsys, "rejects", "--since", "2h")} == {"HB-02"}
    assert {one["hammer"] for one in lines(capsys, "rejects", "--hammer", "HB-01")} == {"HB-01"}
    assert run_command(capsys, "rejects", "--site", "elsewhere") == "No data was rejected.\n"
    assert "1 more senders; --limit 2 lists all" in run_command(capsys, "rejects", "--limit", "1")


@pytest.mark.usefixtures("store")
def test_payloads_are_shown_shortened_and_without_control_characters(
    capsys: pytest.CaptureFixture[str],
) -> None:
    for arguments in (["rejects"], ["rejects", "--sender", "fennick-hollow/HB-02"]):
        text = run_command(capsys, *arguments)
        assert r"\xff\x1b[31m\r\n[bold]xxx" in text.replace("\n", "").replace(" ", "")
        assert "\x1b" not in text
        assert len(text) < 6000
    assert [one["reason"] for one in lines(capsys, "rejects", "--sender", "fennick-hollow/HB-02")] == [
        "late",
        "not_json",
    ]


@pytest.mark.usefixtures("store")
def test_an_unknown_sender_and_a_bad_time_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rejects", "--sender", "HB-09"]) == 2
    assert "`strikewatch rejects` lists the senders" in capsys.readouterr().err
    assert main(["rejects", "--since", "yesterday"]) == 2


@pytest.mark.usefixtures("store")
def test_check_counts_recent_rejects_and_names_the_remedy(
    capsys: pytest.CaptureFixture[str],
) -> None:
    main(["check", "--json"])
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    own = [one for one in found if one["what"] == "rejected data"]
    assert [one["seen"].partition(":")[0] for one in own] == ["fennick-hollow/HB-02"] * 3
    assert any("7 × unknown_key" in one["seen"] for one in own)
    assert all(one["word"] == "attention" and one["remedy"] for one in own)


def test_check_reports_that_nothing_was_rejected(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Store(tmp_path / "w.db").close()
    capsys.readouterr()  # what opening the store logged
    (tmp_path / "s.toml").write_text(f'[store]\npath = "{tmp_path / "w.db"}"\n[mqtt]\nport = 1\n')
    main(["check", "--json", "--config", str(tmp_path / "s.toml")])
    found = {one["what"]: one for one in map(json.loads, capsys.readouterr().out.splitlines())}
    assert found["rejected data"]["word"] == "ok"


def test_all_channels_are_listed_as_the_code_has_them(capsys: pytest.CaptureFixture[str]) -> None:
    found = {one["channel"]: one for one in lines(capsys, "channels")}
    assert list(found) == list(CHANNELS)
    for name, channel in CHANNELS.items():
        one = found[name]
        assert (one["unit"], one["hold_s"], one["low"], one["high"]) == (
            channel.unit,
            channel.hold_ns / SECOND,
            channel.low,
            channel.high,
        )
    instead = {alias: name for name, one in found.items() for alias in one["accepted_instead"]}
    assert instead == {alias: name for alias, (name, _) in ALIASES.items()}
    assert {"Pa", "hPa", "psi"} <= set(found["pressure_bar"]["senml_units"])
    text = run_command(capsys, "channels")
    assert all(name in text for name in (*CHANNELS, *ALIASES))
