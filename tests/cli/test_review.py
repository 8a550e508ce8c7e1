"""`strikewatch review` end to end, over recorded shifts and over a database with its recordings."""

import json
import re
import shlex
import shutil
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from pypdf import PdfReader

from strikewatch.cli.main import main
from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.service.recorded.replay import replay_shifts
from strikewatch.settings.tree import load
from strikewatch.sources.recordings import open_shifts
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.settings import RecorderSettings
from tests.programs import need_program

SHIFTS = Path(__file__).parents[2] / "replay_data"
NAMES = ("hot-bench", "pad-handover")
PERIOD = ("--from", "2026-07-14T00:00:00Z", "--to", "2026-07-16T00:00:00Z")
TABLES = {"exposure", "faults", "operators", "sites", "hammers", "tools", "use", "weeks", "moments", "talks"}


@dataclass(frozen=True)
class Kept:
    """A database and recordings with two of the recorded shifts, as a live run leaves them."""

    config: Path
    found: list[dict[str, Any]]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    folder = tmp_path_factory.mktemp("kept")
    store = Store(folder / "watch.db")
    recorder = Recorder(store, RecorderSettings(folder=folder / "recordings"))
    records = []
    for name in NAMES:
        shifts = open_shifts(SHIFTS / name)
        result = replay_shifts(shifts, load().of_hammer)
        records += result.records
        rows = [piece for shift in shifts for piece in shift.pieces()]
        begin, end = min(int(one.time_ns[0]) for _, one in rows), max(int(one.time_ns[-1]) for _, one in rows)
        stretches = tuple(one for outcome in result.steps for one in outcome.stretches())
        changes = [_change(record) for record in result.records]
        events = [event for shift in shifts for event in shift.events]
        store.commit(
            StepRecord(begin, rows, events, events, changes, result.bouts(), {}, "none", [], {}, stretches)
        )
        recorder.flush(end)
    store.close()
    config = folder / "strikewatch.toml"
    config.write_text(
        f'[store]\npath = "{folder / "watch.db"}"\n[recording]\nfolder = "{folder / "recordings"}"\n'
    )
    return Kept(config, records)


def _change(record: dict[str, Any]) -> Change:
    onset = instant.parse(record["onset"])
    cleared = None if record["cleared"] is None else instant.parse(record["cleared"])
    step = "raised" if cleared is None else "cleared"
    return Change(step, record["site"], record["hammer"], record["id"], record, onset, cleared, deliver=False)  # type: ignore[arg-type]  # a literal


def _json(capsys: pytest.CaptureFixture[str], *options: str) -> dict[str, Any]:
    assert main(["review", "--json", *options]) == 0
    expected: dict[str, Any] = json.loads(capsys.readouterr().out)
    return expected


def test_every_highlight_is_found_again_by_its_replay_command(
    kept: Kept, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each command shown with a chart, run as printed, finds its alert in a single recording."""
    expected = _json(capsys, "--config", str(kept.config), *PERIOD, "--highlights", "2")
    assert {one["id"] for one in expected["moments"]} <= {one["id"] for one in kept.found}
    assert max(Counter(one["operator"] for one in expected["moments"]).values()) == 2
    assert len(expected["moments"]) >= 8
    for one in expected["moments"]:
        words = shlex.split(one["command"])
        assert words[:2] == ["strikewatch", "replay"]
        assert re.fullmatch(r"\d{8}T\d{6}\.\d{3}Z", Path(words[2]).name)
        assert main([*words[1:], "--json"]) == 0
        found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
        assert one["id"] in {record["id"] for record in found}
        assert {record["hammer"] for record in found} == {one["hammer"]}


def test_the_database_and_the_shifts_give_the_same_review(
    kept: Kept, capsys: pytest.CaptureFixture[str]
) -> None:
    ours = _json(capsys, "--config", str(kept.config), *PERIOD, "--highlights", "0")
    theirs = _json(capsys, *(str(SHIFTS / name) for name in NAMES), *PERIOD, "--highlights", "0")
    assert ours.keys() == theirs.keys() == {"begin", "end", *TABLES}
    counted = {(row["operator"], row["fault"]): row["count"] for row in ours["operators"]}
    assert counted == {(row["operator"], row["fault"]): row["count"] for row in theirs["operators"]}
    used, again = (
        {f"{row['hammer']} {row['measure']}": row["amount"] for row in each["use"] if row["amount"]}
        for each in (ours, theirs)
    )
    assert used == pytest.approx(again)
    assert len(used) > 20
    assert counted["op-12", "same_spot"] > 20


def test_all_output_files_are_written_and_the_summary_names_them(
    kept: Kept, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page, pdf = tmp_path / "review.html", tmp_path / "review.pdf"
    need_program("chromium")
    outputs = ["--html", str(page), "--pdf", str(pdf), "--csv", str(tmp_path / "tables"), "--highlights", "1"]
    assert main(["review", "--config", str(kept.config), *PERIOD, *outputs]) == 0
    printed_text = capsys.readouterr().out
    assert "never a safety function" in printed_text
    assert printed_text.index("op-12") < printed_text.index("op-13") < printed_text.index("op-16")
    assert "Minutes" not in printed_text
    assert page.read_text(encoding="utf-8").count('<svg class="picture"') > 8
    assert pdf.read_bytes().startswith(b"%PDF-")
    assert {path.stem for path in (tmp_path / "tables").iterdir()} == TABLES
    faults = pd.read_csv(tmp_path / "tables" / "faults.csv")
    assert json.loads(faults["evidence"][0])
    assert pd.to_datetime(faults["onset"]).dt.tz is not None


def test_a_review_of_one_operator_names_no_other(kept: Kept, capsys: pytest.CaptureFixture[str]) -> None:
    expected = _json(
        capsys, "--config", str(kept.config), *PERIOD, "--operator", "op-14", "--moments", "1"
    )  # the former name
    assert len(expected["moments"]) == 1
    assert set(re.findall(r"op-\d+|unassigned", json.dumps(expected))) == {"op-14"}
    assert main(["review", "--config", str(kept.config), *PERIOD, "--operator", "op-14"]) == 0
    assert set(re.findall(r"op-\d+", capsys.readouterr().out)) == {"op-14"}


def test_a_talk_shows_in_the_review_whether_logged_or_recorded(
    kept: Kept, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same from the database and from recordings; `export-operator` lists it; for another operator it is unseen."""
    shutil.copytree(kept.config.parent, tmp_path / "live")
    here = tmp_path / "live" / "strikewatch.toml"
    here.write_text(kept.config.read_text().replace(str(kept.config.parent), str(tmp_path / "live")))
    talk = {"time": "2026-07-14T11:10:00Z", "event": "coached", "operator": "op-12", "fault": "same_spot"}
    log = ["coaching", "log", "op-12", "same_spot", "--by", "trainer", "--time", talk["time"]]
    assert main([*log, "--config", str(here)]) == 0
    for name in NAMES:
        shutil.copytree(SHIFTS / name, tmp_path / name)
    with (tmp_path / "hot-bench" / "events.jsonl").open("a", encoding="utf-8") as lines:
        lines.write(json.dumps({**talk, "hammer": "HB-01"}) + "\n")
    capsys.readouterr()
    logged = _json(capsys, "--config", str(here), *PERIOD, "--highlights", "0")["talks"]
    recorded = _json(capsys, *(str(tmp_path / name) for name in NAMES), *PERIOD, "--highlights", "0")["talks"]
    (shown,) = recorded
    assert shown["words"]
    assert shown["before_count"] + shown["count"] == 44
    assert logged == recorded
    assert main(["export-operator", "op-12", "--config", str(here)]) == 0
    exported = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [item["kind"] for item in exported if item.get("kind") == "coached"] == ["coached"]
    assert (
        _json(capsys, "--config", str(here), *PERIOD, "--operator", "op-13", "--highlights", "0")["talks"]
        == []
    )


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--to", "2026-01-02T00:00:00Z"], "No work"),
        ([*PERIOD, "--site", "elsewhere"], "No work at elsewhere"),
        ([*PERIOD, "--operator", "op-99"], "op-99 was not signed on"),
        ([str(SHIFTS / "pad-handover"), "--from", "2026-08-01T00:00:00Z"], "No work"),
        ([str(SHIFTS / "pad-handover"), "--to", "2026-01-01T00:00:00Z"], "No work"),
    ],
)
def test_missing_data_is_reported(
    kept: Kept, tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], words: str
) -> None:
    page = tmp_path / "review.html"
    assert main(["review", "--config", str(kept.config), *options, "--html", str(page)]) == 0
    assert words in capsys.readouterr().out
    assert words in page.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("options", "remedy"),
    [
        (["nowhere"], "nowhere"),
        ([str(SHIFTS / "hot-bench"), "--from", "2h", "--to", "3h"], "before --to"),
        ([str(SHIFTS / "hot-bench"), "--highlights", "-1"], "x>=0"),
        ([str(SHIFTS / "hot-bench"), "--coaching", "gone.toml"], "gone.toml"),
        ([str(SHIFTS / "hot-bench"), "--html", "/nowhere/review.html", "--highlights", "0"], "another file"),
    ],
)
def test_unusable_options_name_the_remedy(
    capsys: pytest.CaptureFixture[str], options: list[str], remedy: str
) -> None:
    assert main(["review", *options]) == 2
    assert remedy in capsys.readouterr().err


def test_without_a_browser_the_pdf_is_the_summary_with_a_notice(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    made = tmp_path / "review.pdf"
    assert main(["review", str(SHIFTS / "hot-bench"), "--pdf", str(made)]) == 0
    expected = capsys.readouterr()
    assert "print it" in expected.err
    text = "\n".join(page.extract_text() for page in PdfReader(made).pages)
    assert "The trainer's review" in text
    assert "Too long in one spot" in text
    assert "Advice, never a safety function." in text
    assert text.count("op-1") == expected.out.count("op-1") > 0
    assert main(["review", str(SHIFTS / "hot-bench"), "--pdf", "/nowhere/review.pdf"]) == 2
    assert "/nowhere/review.pdf: cannot be written" in capsys.readouterr().err
