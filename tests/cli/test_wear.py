"""`strikewatch wear` and `strikewatch tools` end to end, over a recorded shift and over the database of a run."""

import json
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from strikewatch.cli.main import main
from strikewatch.core import instant
from strikewatch.core.events import Event
from strikewatch.storage.actions.entries import add_entry
from strikewatch.storage.engines.shared import SharedDatabase
from tests.cli import worn


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("worn")
    place = worn.shift(folder)
    worn.settings(folder)
    worn.kept(folder, place)
    return place


def run_command(capsys: pytest.CaptureFixture[str], command: str, place: Path, *more: str) -> dict[str, Any]:
    assert main([command, "--json", "--config", str(place.parent / "strikewatch.toml"), *more]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_a_shift_and_the_database_of_its_run_give_the_same_condition(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for command in ("wear", "tools"):
        assert run_command(capsys, command, place, str(place)) == run_command(capsys, command, place)


def test_wear_comes_with_advice_and_the_time_to_the_limit(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second = run_command(capsys, "wear", place)["hammers"]
    assert (first["hammer"], first["decision"], first["turned_before"]) == ("HB-01", "replace", True)
    bore, length = first["readings"]
    assert [one["bore_mm"] for one in bore["values"]] == [142.0, 142.6, 143.1, 143.4]
    assert [one["operating_h"] for one in bore["values"]] == pytest.approx([1, 2, 3, 4], abs=0.01)
    assert (bore["limit_mm"], bore["limit_reached"]) == (145.0, False)
    assert bore["trend"]["mm_per_100_h"] == pytest.approx(47, rel=0.01)
    met = bore["limit_met"]
    assert met["first_in_h"] < met["line_in_h"] < met["last_in_h"]
    assert (length["serial"], length["in_use"]) == ("T-1", False)
    assert second["decision"] is None
    assert second["readings"][0]["limit_met"] is None


def test_tools_come_with_lifetimes_and_suitability(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = run_command(capsys, "tools", place)
    lives = {one["serial"]: one for one in found["tools"] if one["serial"]}
    assert {serial: one["ended"] for serial, one in lives.items()} == {
        "T-1": True,
        "T-2": True,
        "T-3": False,
        "T-4": False,
    }
    assert lives["T-1"]["firing_h"] == pytest.approx(4.9 * 2 / 5, rel=0.01)
    assert lives["T-1"]["operators"] == pytest.approx({"op-11": 3.9 / 4.9, "op-12": 1 / 4.9}, rel=0.01)
    (moils,) = (one for one in found["lasting"] if (one["by"], one["name"]) == ("type", "moil"))
    assert (moils["tools"], moils["ended"]) == (3, 2)
    assert moils["median_h"] == pytest.approx(1.5 * 2 / 5, rel=0.01)
    fitted = {one["hammer"]: one for one in found["fitted"]}
    assert fitted["HB-01"]["advised"] == "blunt"
    assert "Common practice, no published source" in fitted["HB-01"]["note"]
    assert fitted["HB-02"]["note"] is None


def test_a_corrected_entry_no_longer_counts(
    place: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    worn.settings(tmp_path)
    worn.kept(tmp_path, place)
    at = instant.parse("2026-07-14T12:00:00Z")
    with SharedDatabase(tmp_path / "watch.db") as store:
        wrong = Event(worn.SITE, "HB-01", "inspection", at, {"bore_mm": 1434.0})
        number = add_entry(store, wrong, who="fitter", now=at).number
        right = Event(worn.SITE, "HB-01", "inspection", at, {"bore_mm": 143.9})
        add_entry(store, right, who="fitter", now=at + 1, corrects=number)
    capsys.readouterr()  # what the store logged
    (first, _) = run_command(capsys, "wear", tmp_path / "database")["hammers"]
    assert [one["bore_mm"] for one in first["readings"][0]["values"]][-2:] == [143.4, 143.9]


@pytest.mark.parametrize("command", ["wear", "tools"])
def test_output_fits_80_columns_with_source_and_caution(
    place: Path, command: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    config = place.parent / "strikewatch.toml"
    assert main([command, "--config", str(config), "--hammer", "HB-01"]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    printed_text = " ".join(out.split())
    assert "Common practice, no published source" in printed_text
    assert "Advice, never a safety function." in printed_text
    assert "HB-02" not in printed_text


def test_the_review_has_a_wear_section_except_for_one_operator(
    place: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """In the page and in the terminal; over the shift and over the database."""
    page = tmp_path / "review.html"
    config = str(place.parent / "strikewatch.toml")
    period = ("--from", "2026-07-14T00:00:00Z", "--to", "2026-07-15T00:00:00Z")
    for source in ([str(place)], period):
        assert main(["review", *source, "--config", config, "--html", str(page)]) == 0
        out, html = capsys.readouterr().out, page.read_text()
        for text in (" ".join(out.split()), " ".join(unescape(html).split())):
            assert "Wear and tools" in text
            assert "Bore of the lower bushing 143.4 mm on 2026-07-14 (4 readings)." in text
            assert "has been turned before. Common practice, no published source" in text
            assert "moil, alloyed" in text
    assert main(["review", *period, "--config", config, "--operator", "op-11", "--html", str(page)]) == 0
    assert "Wear and tools" not in page.read_text() + capsys.readouterr().out


def test_a_hammer_without_entries_is_refused_with_the_names_of_others(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["tools", str(place), "--hammer", "HB-09"]) == 2
    assert "HB-09 has no entries; hammers with entries: HB-01, HB-02" in capsys.readouterr().err
