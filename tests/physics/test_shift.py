"""The simulated shifts of all models, the feeds made of them, and the scoring of suspicions against labels."""

import dataclasses
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from tests.physics import conductance, waveform
from tests.physics.feeds import FEEDS, feed, seconds
from tests.physics.score import Score, calibration, score, suspicions
from tests.physics.work import Spell, Truth, draw_bouts, draw_spells, shift


@pytest.fixture(scope="module")
def truth() -> Truth:
    """A quarter of an hour."""
    return shift(7, 15, throttle_change=True)


def test_the_same_seed_gives_the_same_shift(truth: Truth) -> None:
    """To the last bit, and another seed another hammer."""
    again, other = shift(7, 15, throttle_change=True), shift(8, 15)
    assert np.array_equal(truth.run.pressure_bar, again.run.pressure_bar)
    assert truth.spells == again.spells
    assert other.hammer != truth.hammer


def test_spells_lie_within_bouts_and_blank_blows_within_spells(truth: Truth) -> None:
    """Every spell in one bout; a blow is blank exactly if it falls into a spell."""
    for spell in truth.spells:
        assert any(start <= spell.start_s < spell.end_s <= end for start, end in truth.bouts)
    blows = truth.run.blow_s
    inside = np.zeros(blows.size, bool)
    for spell in truth.spells:
        inside |= (blows > spell.start_s + 1e-9) & (blows <= spell.end_s + 1e-9)
    assert np.array_equal(inside, truth.run.blow_blank)


def test_spells_lie_anywhere_in_a_bout_and_have_all_lengths() -> None:
    """Over many shifts: start, middle, end, whole; 0.2 to 8 s; some operators often."""
    spells, share = [], []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        bouts = draw_bouts(rng, 60)
        drawn = draw_spells(rng, bouts)
        spells += drawn
        share.append(len(drawn) / len(bouts))
        assert all(0.99 <= end - start <= 25.01 for start, end in bouts)
    lengths = np.array([s.end_s - s.start_s for s in spells])
    assert {s.place for s in spells} == {"start", "middle", "end", "whole"}
    assert 0.19 <= lengths.min() < 0.3
    assert 7 < lengths.max() <= 8.01
    assert max(share) > 0.3 > 0.1 > min(share)


def test_a_throttle_change_lasts_and_ends(truth: Truth) -> None:
    """10 to 25 % below rated for a good while, only if asked for."""
    low = truth.engine_rpm < 0.93 * truth.hammer.rated_rpm
    assert 0.05 < low.mean() < 0.8
    assert not low[:1000].any()
    assert truth.engine_rpm.min() > 0.7 * truth.hammer.rated_rpm
    assert (shift(7, 5).engine_rpm > 0.93 * truth.hammer.rated_rpm).all()


def test_pressure_follows_the_engine(truth: Truth) -> None:
    """While the throttle is down, the hammer works at a clearly lower pressure."""
    pressed = truth.active.astype(bool)
    bar = truth.run.pressure_bar.reshape(-1, 10).mean(axis=1)
    low = truth.engine_rpm < 0.93 * truth.hammer.rated_rpm
    assert np.median(bar[pressed & low]) < 0.93 * np.median(bar[pressed & ~low])


@pytest.mark.parametrize("name", FEEDS)
def test_feeds_have_their_grid_and_channels(truth: Truth, name: str) -> None:
    """Rows on an even grid; active as the truth is at the row; oil and engine speed now and then."""
    hz, _ = FEEDS[name]
    table = feed(truth, name)
    assert list(table) == ["time", "hammer", "active", "pressure_bar", "oil_c", "engine_rpm"]
    at = np.array([seconds(t) for t in table["time"][:50]])
    assert np.allclose(np.diff(at), 1 / hz)
    rows = (table["time"] - table["time"][0]).dt.total_seconds().to_numpy() + at[0]
    pressed = np.zeros(rows.size, bool)
    for start, end in truth.bouts:
        pressed |= (rows > start - 1e-9) & (rows < end - 1e-9)
    assert np.array_equal(pressed, table["active"].to_numpy())
    assert table["oil_c"].notna().sum() == pytest.approx(15 * 60 / 5, abs=2)
    assert "engine_rpm" not in feed(truth, name, engine_rpm=False)


def test_averaged_rows_are_means_of_the_step_before(truth: Truth) -> None:
    """SharedDatabase the finest feed, within noise and resolution."""
    fine, mean = feed(truth, "1000Hz"), feed(truth, "10Hz_mean")
    by_hand = fine["pressure_bar"].to_numpy()[: (len(mean) - 1) * 100].reshape(-1, 100)
    # rows of the finest feed begin 1 ms after the start, so that a step ends with the row itself
    error = by_hand.mean(axis=1) - mean["pressure_bar"].to_numpy()[: len(by_hand)]
    assert np.abs(np.median(error)) < truth.hammer.sensor.resolution_bar
    assert np.corrcoef(by_hand.mean(axis=1), mean["pressure_bar"].to_numpy()[: len(by_hand)])[0, 1] > 0.999


def test_score_counts_as_defined(truth: Truth) -> None:
    """One found, one missed, one neutral found, one false."""
    spells = [Spell(10, 12, "start"), Spell(30, 31.3, "end"), Spell(50, 51, "middle")]
    hand = dataclasses.replace(truth, spells=spells, bouts=[(0.0, 3600.0)])
    got = score(hand, [(10.2, 12.0), (50.5, 52.0), (70.0, 71.0)], [0.9, 0.8, 0.4])
    assert (got.found, got.missed, got.false) == (1, 1, 1)
    assert (got.precision, got.recall, got.f1, got.false_per_firing_h) == (0.5, 0.5, 0.5, 1.0)
    assert got.onset_error_s == pytest.approx(0.2)
    assert got.pairs == [(0.9, True), (0.8, True), (0.4, False)]
    assert score(hand, [], counted_s=3.0) == Score(firing_s=3600.0)
    assert (got + got).missed == 2


def test_suspicions_are_the_blank_firing_alerts() -> None:
    """In seconds since the start, open ones until the end."""
    alerts = pd.DataFrame(
        {
            "fault": ["blank_firing", "same_spot", "blank_firing"],
            "onset": [
                "2026-03-04T07:00:10.500000Z",
                "2026-03-04T07:00:11.000000Z",
                "2026-03-04T07:01:00.000000Z",
            ],
            "cleared": ["2026-03-04T07:00:12.000000Z", "2026-03-04T07:00:20.000000Z", None],
        }
    )
    assert suspicions(alerts, 90.0) == [(10.5, 12.0), (60.0, 90.0)]


def test_calibration_bands() -> None:
    """Mean score and the share that was real."""
    assert calibration([(0.85, True), (0.85, False), (1.0, True)]) == [(0.85, 0.5, 2), (1.0, 1.0, 1)]


SHIFTS = {"conductance": conductance.shift, "waveform": waveform.shift}
SEEDS = range(3000, 3006)


@pytest.fixture(scope="module", params=SHIFTS)
def shifts(request: pytest.FixtureRequest) -> list[Truth]:
    """A quarter of an hour of each of a few hammers."""
    return [SHIFTS[request.param](seed, 15.0) for seed in SEEDS]


def means(truth: Truth) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean pressure of each 10 ms; which of them are loaded, and which blank, for half a second."""
    pressure = truth.run.pressure_bar.reshape(truth.active.size, -1).mean(axis=1)
    loaded, blank = np.zeros(truth.active.size, bool), np.zeros(truth.active.size, bool)
    for start, end in truth.bouts:
        loaded[round(100 * start) + 200 : round(100 * end)] = True
    for spell in truth.spells:
        loaded[round(100 * spell.start_s) : round(100 * spell.end_s) + 100] = False
        if spell.start_s > min(start for start, end in truth.bouts if end >= spell.end_s) + 1.0:
            blank[round(100 * spell.start_s) + 50 : round(100 * spell.end_s)] = True
    return pressure, loaded, blank


def test_spells_of_the_other_models_lie_within_bouts(shifts: list[Truth]) -> None:
    """Bouts follow one another, every spell in one of them, pressed exactly then."""
    for truth in shifts:
        edges = np.array(truth.bouts).ravel()
        assert (np.diff(edges) > 0).all()
        assert truth.active.sum() == pytest.approx(100 * truth.firing_s, abs=2 * len(truth.bouts))
        for spell in truth.spells:
            assert spell.end_s > spell.start_s
            assert any(
                start - 1e-9 <= spell.start_s and spell.end_s <= end + 1e-9 for start, end in truth.bouts
            )


def test_the_other_models_work_at_the_rated_pressure_and_rate(shifts: list[Truth]) -> None:
    """Loaded near the rated pressure and rate, struck blank near the lower one; always finite."""
    for truth in shifts:
        pressure, loaded, blank = means(truth)
        assert np.isfinite(truth.run.pressure_bar).all()
        rig = truth.hammer
        assert np.median(pressure[loaded]) == pytest.approx(rig.loaded_bar, rel=0.15)
        if blank.sum() > 300:
            fell = 1 - np.median(pressure[blank]) / np.median(pressure[loaded])
            assert fell > 0.5 * (1 - rig.blank_bar / rig.loaded_bar)
        rate = 60 * np.count_nonzero(~truth.run.blow_blank) / (loaded.sum() / 100 + 2 * len(truth.bouts))
        assert rate == pytest.approx(rig.blows_per_min, rel=0.35)


def test_the_throttle_changes_only_on_request_and_a_seed_gives_one_shift() -> None:
    """To the last bit."""
    for make in SHIFTS.values():
        steady, again, changed = make(3001, 10.0), make(3001, 10.0), make(3001, 10.0, throttle_change=True)
        assert np.array_equal(steady.run.pressure_bar, again.run.pressure_bar)
        pressed = steady.active.astype(bool)
        slow = 0.94 * steady.hammer.rated_rpm
        assert np.mean(changed.engine_rpm[pressed] < slow) > 0.05 + np.mean(steady.engine_rpm[pressed] < slow)


def _level_by_speed(shift: Callable[..., Truth], seed: int) -> float:
    truth = shift(seed, 15.0, throttle_change=True)
    pressure, loaded, _ = means(truth)
    slow = truth.engine_rpm < 0.9 * truth.hammer.rated_rpm
    return float(np.median(pressure[loaded & slow]) / np.median(pressure[loaded & ~slow]))


def test_pressure_depends_on_engine_speed_for_some_hammers_only() -> None:
    """A load-sensing pump keeps the pressure at lower speeds; among a few hammers there are both kinds."""
    shares = [_level_by_speed(conductance.shift, seed) for seed in (3000, 3003, 3004, 3010, 3011, 3012)]
    assert np.nanmin(shares) < 0.9 < 0.95 < np.nanmax(shares)
