"""blank_firing against the independent physical model: hammers that it was not made on.

The long form, whose table is in guide/blank-firing.md, is `python -m tests.physics`.
"""

import random
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
import pytest

import strikewatch
from strikewatch.core.batch import NO_ROWS, Batch, Key, Portion, Rows
from strikewatch.core.events import Event
from strikewatch.detectors.blank_firing import blank_firing
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.state import LAYOUT
from strikewatch.settings.faults import Faults
from strikewatch.sources.ordering import Reorderer
from tests.physics.breaker import steady
from tests.physics.feeds import START, feed
from tests.physics.population import hammer
from tests.physics.score import Case, calibration, measure, measure_all
from tests.physics.work import Truth, shift

SEEDS = (2100, 2110, 2114, 2125, 2148, 2153)
"""Seeds with enough blank spells to count: one operator who seldom strikes blank, and five who do it often."""
KEY: Key = ("fennick-hollow", "HB-01")


def rows_of(table: pd.DataFrame) -> Rows:
    """A feed's table as rows."""
    time_ns = table["time"].astype("datetime64[ns, UTC]").astype("int64").to_numpy()
    names = [name for name in table.columns if name not in ("time", "hammer")]
    return Rows(time_ns, {name: table[name].to_numpy(dtype=float) for name in names})


def pipeline(**settings: Any) -> Pipeline:
    """A pipeline with these settings of blank_firing."""
    faults = Faults.model_validate({"blank_firing": settings})
    return Pipeline(lambda _key: faults.by_detector())


def run(rows: Rows, events: list[Event] | None = None, **settings: Any) -> Any:
    """The outcomes of a recording: alerts by onset, and its bouts."""
    core = pipeline(**settings)
    reorderer = Reorderer("in_order")
    for event in events or []:
        reorderer.add_event(event)
    found, bouts = [], []
    end = int(rows.time_ns[-1]) + 30_000_000_000
    for portion in (
        reorderer.portion(KEY, reorderer.add_rows(KEY, rows)),
        reorderer.portion(KEY, NO_ROWS, end, closing=True),
    ):
        outcome = core.step(Batch([portion]))
        core.commit(outcome)
        found += outcome.findings
        bouts += list(outcome.bouts())
    return found, bouts, core


@pytest.fixture(scope="module")
def fast() -> Truth:
    """Twelve minutes."""
    return shift(2100, 12)


@pytest.fixture(scope="module")
def many_spells() -> Truth:
    """Return twenty minutes with an operator who often strikes blank."""
    return shift(2150, 20)


def test_precision_and_recall_on_unseen_hammers() -> None:
    """Six unseen hammers, 20 min each: found and not invented, at each speed of feed, the onset near the truth.

    The bounds are below what the long form shows, for so few spells scatter.
    """
    cases = (Case("10Hz_mean"), Case("10Hz"), Case("1Hz_mean"))
    found = measure_all(cases, SEEDS, 20.0)
    for case, least in zip(cases, (0.85, 0.7, 0.7), strict=True):
        assert found[case].f1 >= least, (case, str(found[case]))
    assert found[cases[0]].onset_error_s < 0.3
    assert found[cases[0]].false_per_firing_h < 3.0
    for mean, real, n in calibration([pair for one in found.values() for pair in one.pairs], (0.9, 1.0)):
        assert real > 0.85, (mean, n)


def test_a_throttled_pump_is_not_suspected_for_long() -> None:
    """The throttle changed for a good while in every half hour: few false suspicions, with engine speed known and
    without it, because the next bout decides."""
    cases = (Case("10Hz_mean", True, True), Case("10Hz_mean", False, True))
    known, unknown = measure_all(cases, SEEDS, 30.0).values()
    assert known.false_per_firing_h < 3.0, str(known)
    assert unknown.false <= len(SEEDS), str(unknown)
    assert unknown.recall > 0.7
    assert known.recall > 0.7


def test_precision_and_recall_in_a_fast_feed() -> None:
    """500 Hz: joint evidence of level, blow rate and pulse."""
    one = measure(Case("500Hz"), 2114, 15.0) + measure(Case("500Hz"), 2148, 15.0)
    assert one.f1 >= 0.85, str(one)


def test_blows_are_counted(fast: Truth) -> None:
    """Blows of each bout within 4 % and one of the truth, at 500 Hz and at 200 Hz; and their rate within 2 %."""
    for name in ("500Hz", "200Hz"):
        _, bouts, _ = run(rows_of(feed(fast, name)))
        ratios, rates = [], []
        for one, (start, end) in zip(bouts, fast.bouts, strict=True):
            blows = fast.run.blow_s[(fast.run.blow_s >= start) & (fast.run.blow_s <= end)]
            blank = any(s.start_s < end and s.end_s > start for s in fast.spells)
            if blank or len(blows) < 20:
                continue
            ratios.append((one.bout.blows + 1) / (len(blows) + 1))
            rates.append(one.bout.rate_hz * np.diff(blows[6:]).mean())
        assert len(ratios) > 10
        assert np.median(ratios) == pytest.approx(1.0, abs=0.04), name
        assert np.nanmedian(rates) == pytest.approx(1.0, abs=0.02), name


def test_each_bout_has_its_assessed_share_or_the_reason(fast: Truth) -> None:
    """While the level is being learned nothing is judged, and it says so; later nearly all is. A feed without pressure,
    or with a sample every other second, is never judged, and silence is not taken for innocence."""
    bouts = strikewatch.bouts(feed(fast, "10Hz_mean"))
    assert set(bouts["not_judged"][:2]) == {"learning"}
    late = bouts[20:]
    assert late["judged_s"].sum() > 0.9 * late["firing_s"].sum()
    blind = feed(fast, "10Hz_mean").drop(columns="pressure_bar")
    assert set(strikewatch.bouts(blind)["not_judged"]) == {"no pressure"}
    sparse = feed(fast, "1Hz_mean")[::2]
    bouts = strikewatch.bouts(sparse)
    assert bouts["judged_s"].sum() == 0
    assert set(bouts["not_judged"]) <= {"sparse", "short", "no pressure"}


def test_a_design_whose_level_rises_is_judged_by_its_profile(many_spells: Truth) -> None:
    """The same shift with pressure mirrored about its level: with `rises` in the profile the same spells are found, and
    without it none of them."""
    table = feed(many_spells, "10Hz_mean")
    mirrored = table.assign(
        pressure_bar=np.minimum(140.0**2 / np.maximum(table["pressure_bar"], 40.0), 400.0)
    )

    def onsets(feed: pd.DataFrame, **settings: Any) -> set[int]:
        return {f.onset for f in run(rows_of(feed), **settings)[0] if f.fault == "blank_firing"}

    falls, rises = onsets(table), onsets(mirrored, level_when_blank="rises")
    assert len(falls) >= 10
    assert len(falls & rises) >= 0.9 * max(len(falls), len(rises))
    assert len(onsets(mirrored) & falls) <= 0.2 * len(falls)


def test_after_a_service_the_baseline_is_learned_again(fast: Truth) -> None:
    """After a service, and after `relearn`, the next bouts are not judged until the level is known again."""
    rows = rows_of(feed(fast, "10Hz_mean"))
    at = START.value + round(fast.bouts[30][0] * 1e9) - 1
    for kind in ("service", "relearn"):
        _, bouts, core = run(rows, [Event(*KEY, kind, at)])
        after = [one.bout for one in bouts if one.bout.start > at]
        assert after[0].not_judged == 4
        assert after[-1].judged_ns > 0
        before = [one.bout for one in bouts if one.bout.start < at]
        assert before[-1].judged_ns > 0
        record = core.state_of(KEY)["blank_firing"]
        shown = blank_firing.learned(record, blank_firing.Settings())
        assert shown["bouts"] <= len(after)


def test_wider_pulses_raise_one_accumulator_alert(many_spells: Truth) -> None:
    """The same hammer, later with pulses twice as wide about the same level: one hint of low priority, none before."""
    table = feed(many_spells, "500Hz")
    half = len(table) // 2
    pressure = table["pressure_bar"].to_numpy(copy=True)
    slow = pd.Series(pressure).rolling(125, center=True, min_periods=1).mean().to_numpy()
    wide = np.clip(slow + 2.2 * (pressure - slow), 0.0, 400.0)
    later = table["active"].to_numpy() & (np.arange(len(table)) >= half)
    found, _, _ = run(rows_of(table.assign(pressure_bar=np.where(later, wide, pressure))))
    (hint,) = (f for f in found if f.fault == "accumulator_suspect" and f.step == "raised")
    assert hint.priority == "low"
    assert hint.onset > int(table["time"].iloc[half].value)
    none, _, _ = run(rows_of(table))
    assert not [f for f in none if f.fault == "accumulator_suspect"]


@pytest.mark.parametrize(
    ("name", "engine_rpm"), [("10Hz", True), ("500Hz", True), ("10Hz_mean", False), ("2Hz", False)]
)
def test_findings_do_not_depend_on_cuts(name: str, engine_rpm: bool) -> None:
    """The law of the cut over a physical feed, which reaches every corner of the detector: pieces at random, ticks
    between rows, and states carried as bytes into new pipelines leave the same findings, bouts and state, to the
    last bit."""
    truth = shift(2103, 6, throttle_change=not engine_rpm)
    rows = rows_of(feed(truth, name, engine_rpm=engine_rpm))
    end = int(rows.time_ns[-1]) + 30_000_000_000
    dice = random.Random(name)

    def portions(cuts: list[int]) -> Iterator[Portion]:
        first = 0
        for upto in cuts:
            last = int(rows.time_ns.searchsorted(upto, side="right"))
            yield Portion(KEY, rows[first:last], upto)
            first = last
        yield Portion(KEY, rows[first:], max(end, int(rows.time_ns[-1])))

    def outcome_of(cuts: list[int], carry: bool) -> tuple[list[str], bytes]:
        core = pipeline()
        found: list[str] = []
        for portion in portions(cuts):
            outcome = core.step(Batch([portion]))
            core.commit(outcome)
            found += [repr(one[1:2] + one[3:]) for one in outcome.findings if one.kind.name == "blank_firing"]
            found += [repr(one) for one in outcome.bouts()]
            if carry and dice.random() < 0.3:
                saved = outcome.saved()[KEY]
                core = pipeline()
                assert core.restore(KEY, LAYOUT, saved) == []
        return sorted(found), core.saved(KEY)

    whole = outcome_of([], carry=False)
    assert len(whole[0]) > 20
    times = rows.time_ns.tolist()
    for _ in range(12):
        some = dice.sample(times, dice.choice((1, 7, 60, 400)))
        cuts = sorted({t + dice.choice((-1, 0, 0, 1, 40_000_000, 2_000_000_000)) for t in some})
        assert outcome_of([t for t in cuts if t >= times[0]], carry=True) == whole


def test_blank_blows_of_the_model_have_lower_pressure(fast: Truth) -> None:
    """The labels are worth something: blank, this hammer's level and rate are lower than loaded."""
    breaker = hammer(fast.seed).breaker
    loaded, blank = steady(breaker), steady(breaker, hang=1.0)
    assert blank.pressure_bar < 0.85 * loaded.pressure_bar
    assert blank.blows_per_min < 0.9 * loaded.blows_per_min
