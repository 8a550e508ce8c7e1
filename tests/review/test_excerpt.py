"""The chart of a fault shows what the detectors found."""

import re
from html import escape
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.review import excerpt
from strikewatch.review.charts.excerpt import draw_excerpt
from strikewatch.review.data.samples import ShiftSamples
from strikewatch.review.data.schemas import MISUSE
from strikewatch.service.replay import ReplayResult, replay_shifts
from strikewatch.settings.tree import load
from strikewatch.sources.recordings import Shift, open_shifts
from tests.guide.documents import marked

TOP = Path(__file__).parents[2]
SHIFT = TOP / "replay_data" / "hot-bench"


@pytest.fixture(scope="module")
def replayed() -> tuple[list[Shift], ReplayResult, ShiftSamples]:
    shifts = open_shifts(SHIFT)
    result = replay_shifts(shifts, load().of_hammer)
    return shifts, result, ShiftSamples(shifts, result.steps)


def test_the_spot_reaches_its_limit_at_the_onset(
    replayed: tuple[list[Shift], ReplayResult, ShiftSamples],
) -> None:
    _, result, recorded = replayed
    settings = load().of_hammer(("fennick-hollow", "HB-01"))
    spots = [record for record in result.records if record["fault"] == "same_spot"]
    assert len(spots) > 20
    for record in spots[::5]:
        onset, cleared = (instant.parse(record[name]) for name in ("onset", "cleared"))
        key = record["site"], record["hammer"]
        shown_excerpt = excerpt.fault_excerpt(recorded, key, settings, "spot", "same_spot", onset, cleared)
        assert shown_excerpt is not None
        at, spot_s = shown_excerpt.spot_s
        inside = (at > onset) & (at <= cleared)
        # firing in the spot reaches the limit at the onset, and the bouts are those of the replay
        assert np.interp(onset, at, np.nan_to_num(spot_s)) == pytest.approx(15.0, abs=1.0)
        assert (spot_s[inside & np.isfinite(spot_s)] >= 15.0).all()
        assert shown_excerpt.fired == [
            (max(a, shown_excerpt.begin), min(b, shown_excerpt.end))
            for a, b, _ in recorded.levels(key, shown_excerpt.begin, shown_excerpt.end)
        ]
        assert len(shown_excerpt.pressure_bar[0]) > 400


def test_without_samples_there_is_no_chart(replayed: tuple[list[Shift], ReplayResult, ShiftSamples]) -> None:
    _, _, recorded = replayed
    settings = load().of_hammer(("fennick-hollow", "HB-01"))
    long_ago = instant.parse("2020-01-01T00:00:00Z")
    key = "fennick-hollow", "HB-01"
    assert excerpt.fault_excerpt(recorded, key, settings, "spot", "same_spot", long_ago, None) is None
    assert excerpt.timeline(recorded, key, settings, long_ago, long_ago + SECOND) is None
    assert recorded.find_recording(key, long_ago) is None


def test_place_returns_the_shift_with_the_samples(
    replayed: tuple[list[Shift], ReplayResult, ShiftSamples],
) -> None:
    _, result, recorded = replayed
    record = result.records[0]
    assert (
        recorded.find_recording((record["site"], record["hammer"]), instant.parse(record["onset"])) == SHIFT
    )


def test_the_example_of_the_guide_runs(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(TOP)
    exec(marked("trainer.md", "review"), {})
    printed = capsys.readouterr().out
    assert re.search(r"op-12 +same_spot +44 ", printed)


def test_misuse_is_shown_with_its_channels_and_limits() -> None:
    """Every cause of a misuse alert has a panel with limits, whose values agree with the evidence."""
    folder = SHIFT.parent / "full-bench"
    settings = load(folder / "settings.toml")
    shifts = open_shifts(folder)
    result = replay_shifts(shifts, settings.of_hammer)
    recorded = ShiftSamples(shifts, result.steps)
    extremes = {
        "off_square": "tilt_max_deg",
        "over_side": "from_track_max_deg",
        "prying": "side_load_max_bar",
    }
    causes_shown = set()
    for record in (record for record in result.records if record["fault"] in MISUSE and record["cleared"]):
        key = record["site"], record["hammer"]
        causes = record["evidence"].get("causes", record["fault"]).split()
        onset, cleared = (instant.parse(record[name]) for name in ("onset", "cleared"))
        shown_excerpt = excerpt.fault_excerpt(
            recorded, key, settings.of_hammer(key), "x", record["fault"], onset, cleared, (), causes
        )
        assert shown_excerpt is not None
        assert len(shown_excerpt.panels) == len(causes)
        for cause, panel in zip(causes, shown_excerpt.panels, strict=True):
            assert panel.limits
            if cause in extremes:
                values = np.concatenate([values for _, values in panel.series])
                assert values.max() >= record["evidence"][extremes[cause]] - 0.1
            causes_shown.add(cause)
        drawn = draw_excerpt("x", shown_excerpt, ZoneInfo("UTC"))
        assert all(escape(panel.name) in drawn for panel in shown_excerpt.panels)
    assert causes_shown >= {*extremes, "low_engine_speed", "end_of_stroke", "feed_force"}
