"""`strikewatch replay`, as scripts and people meet it."""

import json
import re
import shutil
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types
import pytest

import strikewatch as api
from strikewatch.cli.main import main
from strikewatch.service.recorded import recordings
from tests.cli.command import ROOT, strikewatch
from tests.recordings.shapes import folder, frame

PAD = ROOT / "replay_data" / "pad-handover"
TRENCH = ROOT / "replay_data" / "trench-feed"
INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")
FIELDS = [
    "id",
    "fault",
    "site",
    "hammer",
    "operator",
    "priority",
    "onset",
    "cleared",
    "historic",
    "summary",
    "evidence",
]


@pytest.mark.parametrize("shift", [PAD, TRENCH], ids=lambda shift: shift.name)
def test_json_output_is_alert_records_only(shift: Path) -> None:
    """Records are in onset order, ties by hammer then fault; notes go to standard error."""
    done = strikewatch("replay", shift, "--json")
    assert done.returncode == 0
    records = [json.loads(line) for line in done.stdout.splitlines()]
    assert records
    for record in records:
        assert list(record) == FIELDS
        assert INSTANT.fullmatch(record["onset"])
        assert record["cleared"] is None or (
            INSTANT.fullmatch(record["cleared"]) and record["cleared"] >= record["onset"]
        )
        assert record["priority"] in ("low", "medium", "high")
        assert record["operator"] is None or record["operator"].startswith("op-")
        assert record["historic"] is False
        assert record["summary"].endswith(".")
        assert record["evidence"]
    assert records == sorted(records, key=lambda r: (r["onset"], r["hammer"], r["fault"]))
    assert len({r["id"] for r in records}) == len(records)
    if shift is TRENCH:
        assert "600 rows not used, duplicates" in done.stderr
        assert "150 rows not used, from a wrong clock" in done.stderr
        assert "late" not in done.stderr


def test_a_shift_without_alerts_exits_with_0(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shift = folder(tmp_path, [])
    frame().assign(active=False, oil_c=50.0).to_parquet(shift / "samples.parquet")
    assert main(["replay", str(shift), "--json"]) == 0
    assert capsys.readouterr().out == ""
    assert main(["replay", str(shift)]) == 0
    assert "0 alerts" in capsys.readouterr().out


def test_a_table_without_rows_exits_with_0(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shift = folder(tmp_path, [])
    frame().iloc[:0].to_parquet(shift / "samples.parquet")
    assert main(["replay", str(shift), "--json"]) == 0
    assert capsys.readouterr().out == ""


def _ids(shift: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, set[str]]:
    assert main(["replay", str(shift), "--json"]) == 0
    ids: dict[str, set[str]] = {}
    for line in capsys.readouterr().out.splitlines():
        record = json.loads(line)
        ids.setdefault(record["hammer"], set()).add(record["id"])
    return ids


def test_an_alert_id_is_the_same_in_every_interface_and_without_other_hammers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command on all hammers, on one hammer, and Python agree."""
    together = _ids(PAD, capsys)
    samples = pq.read_table(PAD / "samples.parquet").to_pandas()
    one = sorted(together)[0]
    shift = tmp_path / "alone"
    shift.mkdir()
    shutil.copy(PAD / "events.jsonl", shift)
    samples[samples["hammer"] == one].to_parquet(shift / "samples.parquet")
    # The recording may end sooner without the others, which can only leave out its last alerts.
    alone = _ids(shift, capsys)[one]
    assert alone <= together[one]
    assert len(alone) >= len(together[one]) - 2
    events = pd.read_json(PAD / "events.jsonl", lines=True, dtype=False)
    assert set(api.replay(samples, events)["id"]) == set().union(*together.values())


def test_a_settings_file_changes_the_result(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shift = folder(tmp_path)
    frame().to_parquet(shift / "samples.parquet")
    config = tmp_path / "mine.toml"
    config.write_text("[faults.same_spot]\nlimit_s = 20.0\n")
    assert main(["replay", str(shift), "--json", "--config", str(config)]) == 0
    records = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    (onset,) = {r["onset"] for r in records if r["fault"] == "same_spot"}
    assert datetime.fromisoformat(onset) == datetime.fromisoformat("2026-03-04T07:00:30Z")


@pytest.mark.parametrize("width", [80, 140])
@pytest.mark.parametrize("shift", [PAD, TRENCH], ids=lambda shift: shift.name)
def test_tables_fit_the_screen_width(shift: Path, width: int) -> None:
    """No line is cut or too long; each alert has a line; sentences are shown only if there is room."""
    done = strikewatch("replay", shift, width=width)
    assert done.returncode == 0
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= width
    assert "…" not in done.stdout
    golden = [json.loads(line) for line in (shift / "alerts.jsonl").read_text("utf-8").splitlines()]
    for record in golden:
        assert any(
            line.startswith(record["onset"][:21].replace("T", " ")) and record["fault"] in line
            for line in lines
        )
    assert ("what happened" in done.stdout) == (width == 140)
    for hammer in {record["hammer"] for record in golden}:
        n = sum(record["hammer"] == hammer for record in golden)
        assert re.search(rf"^{hammer} +\d+\.\d\d h of firing, {n} alert", done.stdout, re.MULTILINE)
    for fault in {record["fault"] for record in golden}:
        n = sum(record["fault"] == fault for record in golden)
        assert re.search(rf"^{fault} .* {n} *$", done.stdout, re.MULTILINE)


def test_names_are_not_taken_for_markup(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A hammer may be named `[b]`."""
    shift = folder(tmp_path, [])
    frame().replace({"hammer": {"HB-01": "[b]"}}).to_parquet(shift / "samples.parquet")
    assert main(["replay", str(shift)]) == 0
    assert "[b]  0.01 h of firing" in capsys.readouterr().out


def test_a_progress_bar_is_shown_on_terminals_only(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(recordings, "PROGRESS_FROM_ROWS", 1)
    assert main(["replay", str(PAD), "--json"]) == 0
    assert " rows" not in capsys.readouterr().err
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("TTY_COMPATIBLE", "1")
    assert main(["replay", str(PAD), "--json"]) == 0
    out, err = capsys.readouterr()
    assert " rows" in err
    assert all(line.startswith("{") for line in out.splitlines())


@pytest.mark.parametrize("arguments", [["--help"], ["replay", "--help"]])
def test_help_loads_no_heavy_library(arguments: list[str]) -> None:
    """It loads neither numpy nor anything heavier."""
    heavy = "numpy, pandas, pyarrow, numba, pydantic"
    code = (
        "import sys\nfrom strikewatch.cli.main import main\n"
        f"main({arguments!r})\n"
        f"sys.exit(', '.join(n for n in '{heavy}'.split(', ') if n in sys.modules) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "Usage: strikewatch" in done.stdout


def test_bouts_in_place_of_alerts(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`--bouts`: one record a bout, the same as from Python, each judged or with a reason; a table in 80 columns; and
    the alerts' tables say which share of the firing could be judged."""
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["replay", str(PAD), "--bouts", "--json"]) == 0
    records = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    frame = api.bouts(pd.read_parquet(PAD / "samples.parquet"))
    assert [pd.Timestamp(one["start"]) for one in records] == frame["start"].tolist()
    for one in records:
        assert (one["judged_s"] > 0) == (one["not_judged"] is None)
        assert one["judged_s"] <= one["firing_s"] + 1e-6
    assert {one["operator"] for one in records} == {"op-14", "op-15", None}
    alerts = api.replay(pd.read_parquet(PAD / "samples.parquet"))
    blank_s = sum(one["blank_s"] for one in alerts[alerts["fault"] == "blank_firing"]["evidence"])
    assert sum(one["blank_s"] for one in records) == pytest.approx(blank_s, abs=0.1)
    assert main(["replay", str(PAD), "--bouts"]) == 0
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 80
    assert main(["replay", str(PAD)]) == 0
    assert "could be judged for blank firing" in capsys.readouterr().out


@pytest.mark.parametrize("arm", [False, True])
def test_angles_without_arm_lengths_are_reported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arm: bool
) -> None:
    angles = "boom_deg,stick_deg,bucket_deg,swing_deg"
    rows = "".join(f"2026-03-04T07:15:{k:02}Z,HB-06,true,40,-80,-30,{k}\n" for k in range(30))
    (tmp_path / "samples.csv").write_text(f"time,hammer,active,{angles}\n{rows}", encoding="utf-8")
    lengths = "boom_m = 5.7\nstick_m = 2.9\ntool_m = 2.6\nboom_foot_m = 0.0\n"
    config = tmp_path / "site.toml"
    config.write_text(f"[hammers.HB-06.pose]\n{lengths}" if arm else "", encoding="utf-8")
    assert main(["replay", str(tmp_path), "--config", str(config)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    why = "spots are told apart by pauses only: the feed has boom_deg, stick_deg, bucket_deg and swing_deg"
    assert (f"same_spot ({why}" in out) != arm
    assert "Less certain on HB-06: " in out


SHIFT = Path(__file__).parents[2] / "replay_data" / "pad-handover"


def _replay(capsys: pytest.CaptureFixture[str], *options: str) -> list[dict[str, str]]:
    assert main(["replay", str(SHIFT), "--json", *options]) == 0
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_a_time_window_selects_from_the_whole_replay(capsys: pytest.CaptureFixture[str]) -> None:
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


def test_a_time_window_selects_bouts_from_the_whole_replay(capsys: pytest.CaptureFixture[str]) -> None:
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
def test_an_impossible_time_window_names_the_remedy(
    capsys: pytest.CaptureFixture[str], options: list[str], remedy: str
) -> None:
    assert main(["replay", str(SHIFT), *options]) == 2
    assert remedy in capsys.readouterr().err
