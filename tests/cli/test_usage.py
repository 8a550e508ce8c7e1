"""`strikewatch usage`: the same figures for people and for programs, of the period and hammers asked for."""

import csv
import io
import json
from pathlib import Path

import pandas as pd
import pytest

import strikewatch
from strikewatch.cli.main import main
from strikewatch.review.usage import MEASURES, USAGE

SHIFT = Path(__file__).parents[2] / "replay_data" / "pad-handover"
SPAN = ("--from", "2026-07-15T12:30:00Z", "--to", "2026-07-15T13:30:00Z")


def test_json_csv_and_python_give_the_same_usage(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["usage", str(SHIFT), "--json"]) == 0
    expected = json.loads(capsys.readouterr().out)
    assert main(["usage", str(SHIFT), "--csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert list(rows[0]) == list(USAGE)
    assert len(rows) == len(expected["use"]) == 2 * len(MEASURES)
    samples = pd.read_parquet(SHIFT / "samples.parquet")
    events = pd.read_json(SHIFT / "events.jsonl", lines=True)
    frame = strikewatch.usage(samples, events)
    for row, one, amount in zip(rows, expected["use"], frame["amount"], strict=True):
        assert row["measure"] == one["measure"]
        assert (
            (row["amount"] == "") == (one["amount"] is None) == bool(one["not_known"]) == (amount != amount)
        )
        if one["amount"] is not None:
            assert float(row["amount"]) == pytest.approx(one["amount"])
            assert amount == pytest.approx(one["amount"])


def test_one_hammer_and_a_period_can_be_selected_and_shown_as_a_table(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["usage", str(SHIFT), "--hammer", "HB-03", *SPAN]) == 0
    printed_text = capsys.readouterr().out
    assert "HB-04" not in printed_text
    assert "Firing under water, s" in printed_text
    assert "firing under water (no water_m in the feed)" in " ".join(printed_text.split())
    assert max(map(len, printed_text.splitlines())) <= 80


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("--hammer", "HB-99"), "HB-99 did not work in this period; hammers that did: HB-03, HB-04"),
        (("--from", SPAN[3], "--to", SPAN[1]), "--from must be before --to"),
    ],
)
def test_an_impossible_request_names_the_remedy(
    capsys: pytest.CaptureFixture[str], options: tuple[str, ...], why: str
) -> None:
    assert main(["usage", str(SHIFT), *options]) == 2
    assert why in capsys.readouterr().err


def test_titles_are_unique_and_end_in_the_unit() -> None:
    titles = [measure.title for measure in MEASURES.values()]
    assert len(titles) == len(set(titles))
    units = {title.rpartition(", ")[2] if ", " in title else "1" for title in titles}
    assert units == {measure.unit for measure in MEASURES.values()} == {"h", "s", "1"}
