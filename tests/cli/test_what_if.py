"""`strikewatch what-if`: no change changes nothing; a change does what a settings file with it would do."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.cli.main import main
from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.service.recorded.what_if import pairs
from tests.goldens.bless import SHIFTS

SHIFT = str(SHIFTS / "hot-bench")


def run_command(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    assert main(list(arguments)) == code
    out, err = capsys.readouterr()
    return out if code == 0 else err


def lines(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def test_setting_the_present_value_changes_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    expected = lines(run_command(capsys, "what-if", SHIFT, "--set", "faults.same_spot.limit_s=15", "--json"))
    replayed = lines(run_command(capsys, "replay", SHIFT, "--json"))
    assert {one["change"] for one in expected} == {"same"}
    assert [one["before"] for one in expected] == replayed
    assert [one["after"] for one in expected] == replayed


def test_a_change_equals_a_settings_file_with_it(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    config = tmp_path / "strikewatch.toml"
    config.write_text("[faults.hot_oil]\nlimit_c = 76.0\ncool_c = 74.0\n")
    changes = ["--set", "faults.hot_oil.limit_c=76", "--set", "faults.hot_oil.cool_c=74"]
    expected = lines(run_command(capsys, "what-if", SHIFT, *changes, "--json"))
    replayed = lines(run_command(capsys, "replay", SHIFT, "--json", "--config", str(config)))
    after = [one["after"] for one in expected if one["after"]]
    assert sorted(after, key=lambda one: str(one["id"])) == sorted(replayed, key=lambda one: str(one["id"]))
    assert {one["change"] for one in expected} > {"same"}


def test_a_longer_limit_never_finds_more_spots(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The beginning and end of a spot do not depend on the limit."""
    page = tmp_path / "sweep.html"
    swept = ["--sweep", "faults.same_spot.limit_s=30,10,15,20", "--json", "--html", str(page)]
    expected = lines(run_command(capsys, "what-if", SHIFT, *swept))
    counts = [one["count"] for one in expected]
    assert [one["faults.same_spot.limit_s"] for one in expected] == [10, 15, 20, 30]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1] > 0
    for one in expected:
        assert one["lower"] < one["per_firing_hour"] < one["upper"]
    assert page.read_text().count('class="mark within"') == 5  # four values, and the key
    assert "<script" not in page.read_text()


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (
            ["--set", "faults.same_spot.limits=12"],
            "faults.same_spot.limits: is unknown; did you mean limit_s?",
        ),
        (["--set", "mqtt.port=1"], "mqtt.port: cannot be changed"),
        (["--set", "faults.same_spot.limit_s"], "write NAME=VALUE"),
        (["--set", "faults.same_spot.limit_s=-1"], "greater than 0"),
        (["--sweep", "faults.same_spot.limit_s=9:1:1"], "neither FIRST:LAST:STEP nor a list"),
        (["--sweep", "faults.grease.clock=1,2"], "faults.grease.clock"),
        ([], "give a change: --set"),
    ],
)
def test_an_impossible_change_is_named(
    capsys: pytest.CaptureFixture[str], arguments: list[str], expected: str
) -> None:
    assert expected in run_command(capsys, "what-if", SHIFT, *arguments, code=2)


moments = st.integers(0, 30)
runs = st.lists(
    st.tuples(st.sampled_from(["HB-01", "HB-02"]), moments, st.none() | st.integers(0, 9)), max_size=6
)


def record(hammer: str, onset: int, lasts: int | None) -> dict[str, Any]:
    at = 1_772_600_000 * SECOND
    return {
        "site": "fennick-hollow",
        "hammer": hammer,
        "fault": "same_spot",
        "priority": "medium",
        "onset": instant.text(at + onset * SECOND),
        "cleared": None if lasts is None else instant.text(at + (onset + lasts) * SECOND),
    }


@given(runs, runs)
def test_every_alert_is_in_one_pair_and_pairs_overlap(before: list[Any], after: list[Any]) -> None:
    old = [
        record(*one)
        for one in {(hammer, onset): (hammer, onset, lasts) for hammer, onset, lasts in before}.values()
    ]
    new = [
        record(*one)
        for one in {(hammer, onset): (hammer, onset, lasts) for hammer, onset, lasts in after}.values()
    ]
    found = pairs(old, new)
    for own, named in ((old, [one.before for one in found]), (new, [one.after for one in found])):
        kept = [one for one in named if one is not None]
        assert sorted(map(str, kept)) == sorted(map(str, own))
    for one in found:
        if one.before and one.after:
            assert one.before["hammer"] == one.after["hammer"]
            latest = max(str(one.before["onset"]), str(one.after["onset"]))
            assert all(end is None or end >= latest for end in (one.before["cleared"], one.after["cleared"]))
    assert [one.change for one in pairs(old, old)] == ["same"] * len(old)
