"""Input that cannot be used: the place and the remedy on standard error, nothing on standard output, exit 2."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from strikewatch.cli.main import main
from tests.cli.command import strikewatch_process
from tests.recordings.shapes import folder, frame


def _parquet(samples: pd.DataFrame) -> Callable[[Path], Path]:
    def write(path: Path) -> Path:
        samples.to_parquet(folder(path) / "samples.parquet")
        return path / "fennick-hollow"

    return write


def _file(name: str, content: bytes) -> Callable[[Path], Path]:
    def write(path: Path) -> Path:
        (path / name).write_bytes(content)
        return path / name

    return write


def _both(path: Path) -> Path:
    shift = folder(path)
    frame().to_parquet(shift / "samples.parquet")
    frame().to_csv(shift / "samples.csv")
    return shift


def _damaged(path: Path) -> Path:
    shift = _parquet(frame())(path)
    whole = (shift / "samples.parquet").read_bytes()
    (shift / "samples.parquet").write_bytes(whole[:200] + b"\xff" * 300 + whole[500:])
    return shift


def _events_are_a_folder(path: Path) -> Path:
    shift = _parquet(frame())(path)
    (shift / "events.jsonl").unlink()
    (shift / "events.jsonl").mkdir()
    return shift


F = frame()
CASES: dict[str, tuple[Callable[[Path], Path], str, str]] = {
    "missing": (lambda path: path / "gone", "gone", "give a folder"),
    "empty folder": (lambda path: path, "", "give a folder"),
    "only dot folders": (lambda path: _parquet(F)(path / ".x").parents[1], "", "give a folder"),
    "another kind of file": (_file("notes.txt", b"hello"), "notes.txt", "give a folder"),
    "both tables": (_both, "fennick-hollow", "keep one"),
    "no time": (_parquet(F.drop(columns="time")), "`time`", "a recorded shift has"),
    "no hammer": (_parquet(F.drop(columns="hammer")), "`hammer`", "a recorded shift has"),
    "integers as time": (_parquet(F.assign(time=F["time"].astype("int64"))), "`time`", "write timestamps"),
    "dates as time": (_parquet(F.assign(time=F["time"].dt.date)), "`time`", "write timestamps"),
    "text in a channel": (_parquet(F.assign(oil_c="warm")), "`oil_c`", "write numbers"),
    "lists in a channel": (_parquet(F.assign(oil_c=[[1.0]] * len(F))), "`oil_c`", "write numbers"),
    "a channel twice": (_parquet(F.assign(oil_f=170.0)), "`oil_f`", "keep one"),
    "no name in any row": (_parquet(F.assign(hammer=None)), "row 1", "`hammer`"),
    "no name, two sites": (
        _parquet(F.assign(hammer=None, site=np.where(F.index % 2, "a", "b"))),
        "row 1",
        "`hammer`",
    ),
    "no instant in any row": (
        _parquet(F.assign(time=pd.Timestamp("1969-01-01T00:00:00Z"))),
        "row 1",
        "`time`",
    ),
    "damaged": (_damaged, "samples.parquet", "record it again"),
    "no Parquet": (_file("samples.parquet", b"PAR1 no"), "samples.parquet", "record it again"),
    "nothing in it": (_file("samples.csv", b""), "samples.csv", "first line"),
    "no text": (_file("samples.csv", b"\xff\xfe\x00\x01\n\xff"), "samples.csv", "UTF-8"),
    "no table": (_file("samples.csv", b"dear diary\nit rained\n"), "samples.csv", "`time`"),
    "all rows short": (_file("samples.csv", b"time,hammer,oil_c\n1\n2\n"), "samples.csv", "`fields`"),
    "all rows bad": (_file("samples.csv", b"time,hammer\nx,HB-01\ny,HB-01\n"), "row 2", "`time`"),
    "events that cannot be read": (_events_are_a_folder, "events.jsonl", "check"),
}


@pytest.mark.parametrize("case", CASES)
def test_unusable_input_names_the_place_and_the_remedy(
    case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    make, place, remedy = CASES[case]
    path = make(tmp_path)
    assert main(["replay", str(path), "--json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    expected = [line for line in err.splitlines() if line.startswith("strikewatch: ")]
    assert len(expected) == 1
    assert place in expected[0]
    assert remedy in expected[0]
    assert "Traceback" not in err


def test_unusable_input_exits_with_2_without_a_traceback(tmp_path: Path) -> None:
    done = strikewatch_process("replay", tmp_path / "gone", "--json")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("strikewatch: ")


def test_unusable_settings_name_the_remedy(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "mine.toml"
    config.write_text("[faults.same_spot]\nlimit_s = 'long'\n")
    assert main(["replay", str(_parquet(F)(tmp_path)), "--config", str(config)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "limit_s" in err
