"""A part of a recording shown is what the whole would show, cut down: nothing else is found by looking at less."""

import json
from pathlib import Path

import pytest

from strikewatch.cli.main import main

SHIFT = Path(__file__).parents[2] / "replay_data" / "pad-handover"


def _replay(capsys: pytest.CaptureFixture[str], *options: str) -> list[dict[str, str]]:
    assert main(["replay", str(SHIFT), "--json", *options]) == 0
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_a_part_is_cut_from_the_whole(capsys: pytest.CaptureFixture[str]) -> None:
    whole = _replay(capsys)
    hammer, begin = whole[0]["hammer"], whole[len(whole) // 3]["onset"]
    end = whole[2 * len(whole) // 3]["onset"]
    part = _replay(capsys, "--hammer", hammer, "--from", begin, "--to", end)
    wanted = [
        one
        for one in whole
        if one["hammer"] == hammer and one["onset"] < end and (not one["cleared"] or one["cleared"] >= begin)
    ]
    assert 0 < len(wanted) < len(whole)
    assert part == wanted


def test_bouts_likewise(capsys: pytest.CaptureFixture[str]) -> None:
    whole = _replay(capsys, "--bouts")
    begin, end = whole[10]["start"], whole[40]["start"]
    part = _replay(capsys, "--bouts", "--from", begin, "--to", end)
    assert part == [one for one in whole if one["start"] < end and one["end"] >= begin]
    assert len(part) >= 30


@pytest.mark.parametrize(
    ("options", "remedy"),
    [
        (["--hammer", "HB-99"], "there are: HB-03, HB-04"),
        (["--from", "yesterday"], "write 45min"),
        (["--from", "2026-03-04T08:00:00Z", "--to", "2026-03-04T07:00:00Z"], "before --to"),
    ],
)
def test_a_part_that_is_none(capsys: pytest.CaptureFixture[str], options: list[str], remedy: str) -> None:
    assert main(["replay", str(SHIFT), *options]) == 2
    assert remedy in capsys.readouterr().err
