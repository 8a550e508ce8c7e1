"""Recorded shifts as the commands read them: tables in other forms, what is lost, and whose settings are in force."""

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import strikewatch as api
from strikewatch.cli.main import main
from strikewatch.errors import InputError
from tests.cli.command import ROOT
from tests.recordings.shapes import EVENTS, SITE, folder, frame

FULL = ROOT / "replay_data" / "full-bench"


def replay(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[list[str], str]:
    """The ids that `replay --json` prints, and what it says on standard error."""
    assert main(["replay", *map(str, arguments), "--json"]) == 0
    out, err = capsys.readouterr()
    return [json.loads(line)["id"] for line in out.splitlines()], err


def refused(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    """Run a command that must exit with 2 and print nothing on standard output; return standard error."""
    assert main([*map(str, arguments)]) == 2
    out, err = capsys.readouterr()
    assert (out, "Traceback" in err) == ("", False)
    return err


@pytest.fixture
def reference(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    shift = folder(tmp_path / "reference")
    frame().to_parquet(shift / "samples.parquet")
    return replay(capsys, shift)[0]


def written(path: Path, samples: pd.DataFrame) -> Path:
    """A shift in Parquet."""
    shift = folder(path)
    samples.to_parquet(shift / "samples.parquet")
    return shift


def as_csv(path: Path, samples: pd.DataFrame, **options: Any) -> Path:
    shift = folder(path)
    samples.to_csv(shift / "samples.csv", index=False, **options)
    return shift


def test_a_long_table_loses_nothing(
    tmp_path: Path, reference: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """One value a row, sorted by channel: rows of one instant are one reading."""
    channels = ("active", "pressure_bar", "oil_c")
    long = pd.concat([frame()[["time", "hammer", name]] for name in channels], ignore_index=True)
    ids, err = replay(capsys, written(tmp_path, long))
    assert (ids, err) == (reference, "")
    expected = api.replay(long.sample(frac=1.0, random_state=3).assign(site=SITE), pd.DataFrame(EVENTS))
    assert list(expected["id"]) == reference


def test_a_table_with_semicolons_decimal_commas_and_other_names(
    tmp_path: Path, reference: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Two hammers, each in a table without its name; local times without an offset."""
    samples = frame()
    samples["time"] = samples["time"].dt.tz_convert("Europe/Vienna").dt.strftime("%Y-%m-%d %H:%M:%S.%f")
    names = {"time": "Zeit", "pressure_bar": "Druck [bar]", "oil_c": "Öl"}
    own = samples[samples["hammer"] == "HB-01"].drop(columns="hammer").rename(columns=names)
    shift = as_csv(tmp_path, own, sep=";", decimal=",")
    options: list[str] = []
    for known, expected in names.items():
        options += ["--column", f"{known}={expected}"]
    options += ["--as-hammer", "HB-01"]
    err = refused(capsys, "replay", shift, *options)
    assert "no row can be used" in err
    assert "`time` '2026-03-04 08:00:00.000000' has no offset from UTC; name its zone with --zone" in err
    ids, err = replay(capsys, shift, *options, "--zone", "Europe/Vienna")
    assert ids == [one for one in reference if one in ids]
    assert len(ids) >= 1
    assert "160 times have no offset and are taken as local times of Europe/Vienna" in err


@pytest.mark.parametrize(
    ("options", "printed_text"),
    [
        ([], "column `hammer` is missing; "),
        (
            ["--column", "presure_bar=x"],
            "column presure_bar: is not a known name; did you mean pressure_bar?",
        ),
        (["--column", "oil_c=Oil"], "no column `Oil` for `oil_c`; did you mean oel?"),
        (["--column", "oil_c"], "write NAME=COLUMN"),
        (["--zone", "Europe/Viena"], "zone 'Europe/Viena' is not known; did you mean Europe/Vienna?"),
        (["--allow-loss", "101"], "give a percentage"),
    ],
)
@pytest.mark.parametrize("command", ["replay", "usage", "wear", "tools", "review", "what-if"])
def test_an_option_that_cannot_be_used_names_the_remedy(
    command: str, options: list[str], printed_text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same options, and the same words, in every command that reads recordings."""
    samples = frame().drop(columns="hammer").rename(columns={"oil_c": "oel"})
    shift = written(tmp_path, samples)
    more = ["--set", "faults.same_spot.limit_s=12"] if command == "what-if" else []
    err = refused(capsys, command, shift, *more, *options)
    assert printed_text in err
    if not options:
        assert "--as-hammer HB-01" in err


def test_unknown_columns_name_the_nearest(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shift = written(tmp_path, frame().rename(columns={"pressure_bar": "presure_bar"}))
    assert "presure_bar (did you mean pressure_bar?)" in replay(capsys, shift)[1]


def test_words_in_parquet_are_read_as_in_csv(
    tmp_path: Path, reference: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    samples = frame()
    words = samples.assign(active=np.where(samples["active"], "On", "off"))
    assert replay(capsys, written(tmp_path / "words", words))[0] == reference
    odd = samples.assign(active=np.where(samples["active"], "hitting", "off"))
    err = refused(capsys, "replay", written(tmp_path / "odd", odd))
    assert "120 of 320 values of `active` unreadable, the first: row 41: `active` is 'hitting'" in err
    assert "write true or false" in err


def test_times_without_a_zone_are_taken_as_utc_with_a_note(
    tmp_path: Path, reference: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    naive = frame().assign(time=frame()["time"].dt.tz_localize(None))
    shift = written(tmp_path, naive)
    ids, err = replay(capsys, shift)
    assert ids == reference
    assert "320 times have no offset and are taken as UTC; if they are local, name their zone (--zone)" in err
    local = frame().assign(time=frame()["time"].dt.tz_convert("Europe/Vienna").dt.tz_localize(None))
    assert replay(capsys, written(tmp_path / "local", local), "--zone", "Europe/Vienna")[0] == reference
    with pytest.warns(UserWarning, match="320 times have no offset and are taken as UTC"):
        api.replay(naive)
    with pytest.warns(UserWarning, match="taken as local times of Europe/Vienna"):
        expected = api.replay(local.assign(site=SITE), pd.DataFrame(EVENTS), zone="Europe/Vienna")
    assert list(expected["id"]) == reference


def test_a_row_that_lacks_several_things_is_lost_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """2 of 320 rows lack time and hammer: that is 0.6 %, which is accepted, not 1.2 %. A share of 100 % is said so."""
    samples = frame()
    for name, lacking in (("some", samples.index < 2), ("most", samples.index < 319)):
        written(
            tmp_path / name,
            samples.assign(time=samples["time"].mask(lacking), hammer=samples["hammer"].mask(lacking)),
        )
    ids, err = replay(capsys, tmp_path / "some")
    assert ids
    assert "2 rows skipped for a bad `time`; the first:" in err
    assert "row 1: `time` is empty" in err
    assert ": 100 % would be lost: 319 of 320 rows without a usable instant" in refused(
        capsys, "replay", tmp_path / "most"
    )


def test_too_much_unusable_data_in_any_shift_is_an_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """More than 1 %: each shift, how many, why, the first of them, and the remedy; nothing on standard output."""
    samples = frame()
    bad = samples.assign(hammer=samples["hammer"].mask(samples.index < 8))
    old = samples.assign(
        time=samples["time"].mask(samples.index < 16, samples["time"] - pd.Timedelta("9000D"))
    )
    for name, one in (("a", bad), ("b", old), ("c", samples)):
        written(tmp_path / name, one)
    err = refused(capsys, "replay", tmp_path, "--json")
    first, second = err.removeprefix("strikewatch: ").splitlines()
    assert first.startswith(str(tmp_path / "a"))
    assert "2.5 % would be lost: 8 of 320 rows without a hammer, the first: row 1: `hammer` is empty" in first
    assert second.startswith(str(tmp_path / "b"))
    assert "16 of 320 rows from a wrong clock, the first: HB-01 at 2001-" in second
    assert "--allow-loss 5" in second
    for command in ("usage", "review"):
        assert refused(capsys, command, tmp_path).count("would be lost") == 2
    ids, err = replay(capsys, tmp_path / "b", "--allow-loss", "5")
    assert ids
    assert "16 rows not used, from a wrong clock" in err
    with pytest.raises(InputError, match=r"8 of 320 rows without a hammer"):
        api.replay(bad)
    with pytest.warns(UserWarning, match="8 rows skipped for a bad `hammer`"):
        api.replay(bad, allow_loss=5)


def test_settings_in_a_shift_folder_apply_to_that_shift(capsys: pytest.CaptureFixture[str]) -> None:
    """They find what the golden holds, and the output says so; a settings file that is named replaces them."""
    golden = [json.loads(line)["id"] for line in (FULL / "alerts.jsonl").read_text("utf-8").splitlines()]
    ids, err = replay(capsys, FULL)
    assert ids == golden
    assert f"settings of {FULL}: its own settings.toml" in err
    plain = FULL.parents[1] / "config" / "strikewatch.toml"
    ids, err = replay(capsys, FULL, "--config", plain)
    assert len(ids) < len(golden)
    assert f"therefore not used: {FULL / 'settings.toml'}" in err


def test_each_shift_of_a_hammer_has_its_own_settings(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Settings change from one shift to the next; the state goes on. A what-if change applies to all of them."""
    later = frame().assign(time=frame()["time"] + pd.Timedelta("1h"))
    written(tmp_path / "b" / "first", frame())
    strict = written(tmp_path / "a" / "second", later)
    (strict / "settings.toml").write_text("[hammers.HB-01.same_spot]\nlimit_s = 20.0\n")
    assert main(["replay", str(tmp_path), "--json"]) == 0
    out, err = capsys.readouterr()
    onsets = [
        one["onset"][11:19] for line in out.splitlines() if (one := json.loads(line))["fault"] == "same_spot"
    ]
    assert onsets == ["07:00:25", "07:00:25", "08:00:25", "08:00:30"]
    assert f"settings of {strict}" in err
    changes = ["--set", "faults.same_spot.limit_s=12", "--json"]
    assert main(["what-if", str(tmp_path), *changes]) == 0
    assert capsys.readouterr().out
    broken = shutil.copytree(tmp_path / "a", tmp_path / "c") / "second" / SITE / "settings.toml"
    broken.write_text("[hammers.HB-01.same_spot]\nlimit = 1\n")
    assert "hammers.HB-01.same_spot.limit: is unknown" in refused(capsys, "replay", tmp_path / "c")


@pytest.mark.parametrize("column_name", ["hammer", "site"])
@pytest.mark.parametrize("nested", [[["a"], ["b"]], [{"name": "a"}, {"name": "b"}]])
def test_nested_names_are_refused_with_their_place(
    column_name: str, nested: list[Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """In a file and in a frame."""
    time = pd.date_range("2026-03-04T07:00:00Z", periods=2, freq="s")
    columns = {"time": time, "hammer": ["HB-01", "HB-02"], "active": [True, False]} | {column_name: nested}
    samples = pd.DataFrame(columns)
    samples.to_parquet(tmp_path / "names.parquet")
    said = refused(capsys, "replay", tmp_path / "names.parquet")
    assert f"names.parquet: column `{column_name}` holds " in said
    assert "; write names as text" in said
    with pytest.raises(InputError, match=rf"column `{column_name}` holds .*; write names as text"):
        api.replay(samples)
