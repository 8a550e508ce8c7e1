"""Usage of invented frames, and properties for any frames: periods add up, the order of rows does not matter, and an
unknown amount is never reported as 0."""

from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.alert import Change
from strikewatch.core.instant import SECOND
from strikewatch.core.stretch import AttributedStretch, Stretch
from strikewatch.review.data.from_store import overlapping
from strikewatch.review.data.schemas import EXPOSURE, FAULTS
from strikewatch.review.report.hammers import less_certain
from strikewatch.review.usage import (
    BLOWS_NOT_COUNTED,
    FEED_UNKNOWN,
    MEASURES,
    NOT_JUDGED,
    USAGE,
    hammer_usage,
)
from strikewatch.settings.tree import load
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines.shared import SharedDatabase
from tests.profiles import examples

SITE = "fennick-hollow"
START = 1_772_600_400 * SECOND
"""A whole hour."""
HOUR = 3600 * SECOND
SETTINGS = load(given={"hammers": {"HB-02": {"same_spot": {"limit_s": 10.0}}}}).of_hammer
ALL_KNOWN: dict[tuple[str, str], list[tuple[str, str]]] = {(SITE, f"HB-0{k}"): [] for k in (1, 2)}


def worked(hammer: str, begin_s: float, end_s: float, **more: float) -> dict[str, Any]:
    lasted = end_s - begin_s
    row = {"site": SITE, "hammer": hammer, "operator": "op-11", "tool": "moil"}
    row |= {"start": START + round(begin_s * SECOND), "end": START + round(end_s * SECOND)}
    row |= {
        "operating_s": lasted,
        "firing_s": lasted / 4,
        "judged_s": lasted / 5,
        "bouts": 8,
        "blows": np.nan,
    }
    return row | {"blank_s": 0.0, "blank_blows": np.nan} | more


def alert(
    hammer: str, fault: str, onset_s: float, cleared_s: float | None, **evidence: Any
) -> dict[str, Any]:
    row = {"id": f"{hammer} {fault} {onset_s}", "fault": fault, "site": SITE, "hammer": hammer}
    row |= {"operator": "op-11", "tool": "moil", "priority": "medium", "count": 1, "seconds": 0.0}
    row |= {"onset": START + round(onset_s * SECOND), "historic": False, "summary": "", "evidence": evidence}
    return row | {"cleared": None if cleared_s is None else START + round(cleared_s * SECOND)}


def frames(exposure: list[dict[str, Any]], faults: list[dict[str, Any]]) -> tuple[pd.DataFrame, pd.DataFrame]:
    tables = pd.DataFrame(exposure, columns=list(EXPOSURE)), pd.DataFrame(faults, columns=list(FAULTS))
    for frame, names in zip(tables, (("start", "end"), ("onset", "cleared")), strict=True):
        for name in names:
            frame[name] = pd.to_datetime(frame[name].astype("Int64"), unit="ns", utc=True)
    return tables


def usage_table(
    tables: tuple[pd.DataFrame, pd.DataFrame], begin_s: float, end_s: float, silent: Any = ALL_KNOWN
) -> pd.DataFrame:
    begin, end = (START + round(at * SECOND) for at in (begin_s, end_s))
    return hammer_usage(*tables, begin, end, SETTINGS, silent)


def amounts(table: pd.DataFrame, column: str = "amount") -> dict[tuple[str, str], float]:
    keys = zip(table["hammer"], table["measure"], strict=True)
    return dict(zip(keys, table[column].tolist(), strict=True))


def test_an_example_computed_by_hand() -> None:
    """Two hours of which one is the period, with the default limits: 15 s in one spot, 2 operating hours of grease."""
    tables = frames(
        [
            worked("HB-01", 0, 3600, firing_s=1200, judged_s=900, blank_s=30, blows=9000, blank_blows=250),
            worked("HB-01", 3600, 7200, firing_s=600, judged_s=600, blank_s=6),
            worked("HB-02", 3600, 5400, firing_s=900, judged_s=0),
        ],
        [
            # 25 s in one spot, of which 10 s are beyond the limit, all in the period; HB-02's limit is 10 s.
            alert("HB-01", "same_spot", 100, 110, firing_s=25.0),
            alert("HB-02", "same_spot", 4000, 4004, firing_s=14.0),
            # 40 s of hot firing over the edge at 3600 s. Within a stretch firing is even: 1200 s of time before the
            # edge hold 400 s of firing, 600 s after it 100 s. So 4 parts of 5 are before.
            alert("HB-01", "hot_oil", 2400, 4200, peak_oil_c=83.0, firing_hot_s=40.0),
            # Overdue from 3000 s on and still active; 2.5 h since greasing: half an hour beyond. The hammer is known to
            # have worked to 7200 s: 600 s of operating in the period, 3600 s after it.
            alert("HB-01", "grease_overdue", 3000, None, since_grease_h=2.5),
            # Grouped causes: the seconds of each under its own name.
            alert(
                *("HB-01", "end_of_stroke", 50, 60),
                **{"firing_end_s": 3.0, "firing_off_square_s": 2.5, "causes": "end_of_stroke off_square"},
            ),
            alert("HB-01", "check_missed", 0, 900),
            alert("HB-01", "inspection_overdue", 3600, None),
        ],
    )
    first = amounts(usage_table(tables, 0, 3600))
    expected = {
        "operating_h": 1.0,
        "firing_h": 1200 / 3600,
        "bouts": 8,
        "blows": 9000,
        "judged_h": 0.25,
        "blank_s": 30,
        "blank_blows": 250,
        "hot_firing_s": 32.0,
        "spot_beyond_s": 10.0,
        "grease_overdue_h": 0.5 * 600 / 4200,
        "end_of_stroke_s": 3.0,
        "off_square_s": 2.5,
        "checks_missed": 1,
        "inspections_missed": 0,
    }
    assert {name: first["HB-01", name] for name in expected} == pytest.approx(expected)
    assert {hammer for hammer, _ in first} == {"HB-01"}
    rates = amounts(usage_table(tables, 0, 3600), "per_firing_h")
    assert rates["HB-01", "spot_beyond_s"] == pytest.approx(30.0)
    assert rates["HB-01", "blank_s"] == pytest.approx(120.0)  # per hour that could be judged
    assert rates["HB-01", "blows"] == pytest.approx(27_000.0)
    second = usage_table(tables, 3600, 7200)
    assert amounts(second)["HB-01", "inspections_missed"] == 1
    assert amounts(second)["HB-02", "spot_beyond_s"] == pytest.approx(4.0)
    why = amounts(second, "not_known")
    assert why["HB-01", "blows"] == BLOWS_NOT_COUNTED
    assert why["HB-02", "blank_s"] == NOT_JUDGED
    assert list(second) == list(USAGE)


def test_what_a_feed_cannot_show_is_not_known_and_never_0() -> None:
    tables = frames([worked("HB-01", 0, 3600), worked("HB-02", 0, 3600)], [])
    silent = {(SITE, "HB-01"): [("submerged", "no water_m in the feed")]}
    table = usage_table(tables, 0, 3600, silent)
    found, why = amounts(table), amounts(table, "not_known")
    assert np.isnan(found["HB-01", "submerged_s"])
    assert why["HB-01", "submerged_s"] == "no water_m in the feed"
    assert found["HB-01", "prying_s"] == 0.0
    of_faults = [
        measure.name
        for measure in MEASURES.values()
        if measure.fault and measure.name not in ("firing_h", "bouts", "judged_h")
    ]
    assert {why["HB-02", name] for name in of_faults} == {FEED_UNKNOWN}
    # A fault found before the feed lost the channel is known.
    tables = frames([worked("HB-01", 0, 3600)], [alert("HB-01", "submerged", 5, 9, firing_submerged_s=4.0)])
    assert amounts(usage_table(tables, 0, 3600, silent))["HB-01", "submerged_s"] == 4.0


def test_an_alert_without_recorded_work_is_divided_by_time() -> None:
    tables = frames([], [alert("HB-01", "prying", 3000, 4200, pried_s=8.0)])
    assert amounts(usage_table(tables, 0, 3600))["HB-01", "prying_s"] == pytest.approx(4.0)
    assert not len(usage_table(tables, 4300, 9000))


def test_work_before_the_period_is_read_from_the_database_if_an_alert_began_in_it(tmp_path: Path) -> None:
    """Four hours of overdue greasing from 1 h on, of which the last is in the period: an hour of the four."""
    record = {
        **{"id": "x", "fault": "grease_overdue", "site": SITE, "hammer": "HB-01", "operator": None},
        **{"priority": "medium", "onset": instant.text(START + HOUR), "cleared": None, "historic": False},
        **{"summary": "", "evidence": {"since_grease_h": 6.0}},
    }
    raised = Change("raised", SITE, "HB-01", "x", record, START + HOUR, None, deliver=False)
    stretches = tuple(
        AttributedStretch(Stretch((SITE, "HB-01"), at, at + HOUR, float(HOUR), HOUR / 4), None, None)
        for at in range(START, START + 5 * HOUR, HOUR)
    )
    store = Store(tmp_path / "watch.db")
    store.commit(StepRecord(START, [], [], [], [raised], [], {}, "none", [], {}, stretches))
    store.close()
    with SharedDatabase(tmp_path / "watch.db") as place:
        begin, now = START + 4 * HOUR, START + 9 * HOUR
        exposure, faults, silent = overlapping(place, begin, now, SETTINGS)
        table = hammer_usage(exposure, faults, begin, now, SETTINGS, silent)
    assert amounts(table)["HB-01", "grease_overdue_h"] == pytest.approx(1.0)
    assert amounts(table)["HB-01", "operating_h"] == pytest.approx(1.0)
    assert amounts(table, "not_known")["HB-01", "submerged_s"] == FEED_UNKNOWN


@st.composite
def fleets(draw: st.DrawFn) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Stretches of up to an hour with pauses between, and alerts anywhere, some active, some of no length."""
    exposure, faults = [], []
    for hammer in ("HB-01", "HB-02"):
        at = 0.0
        for _ in range(draw(st.integers(0, 5))):
            at += draw(st.floats(0, 5000))
            lasted = draw(st.floats(1, 3600))
            more = {
                "blows": draw(st.sampled_from((np.nan, 900.0))),
                "firing_s": draw(st.integers(0, 100)) / 100 * lasted,
            }
            more["judged_s"] = more["firing_s"] * draw(st.sampled_from((0.0, 0.9)))
            exposure.append(worked(hammer, at, at + lasted, **more))
            at += lasted
        for _ in range(draw(st.integers(0, 6))):
            fault, evidence = draw(st.sampled_from(EVIDENCE))
            onset = draw(st.floats(0, 20_000))
            lasted_or = draw(st.one_of(st.none(), st.just(0.0), st.floats(0, 9000)))
            cleared = None if lasted_or is None else onset + lasted_or
            value = draw(st.floats(0, 60))
            faults.append(alert(hammer, fault, onset, cleared, **{evidence: value}))
    return exposure, faults


EVIDENCE = [(m.fault, m.evidence) for m in MEASURES.values() if m.evidence] + [
    ("check_missed", "into_shift_s")
]


@settings(max_examples=examples(12))
@given(fleet=fleets(), cuts=st.lists(st.floats(1, 29_000), min_size=1, max_size=3, unique=True))
def test_parts_of_a_period_add_up(fleet: Any, cuts: list[float]) -> None:
    frames_of_fleet, edges = frames(*fleet), [0.0, *sorted(cuts), 60_000.0]
    whole = amounts(usage_table(frames_of_fleet, 0, 60_000))
    parts = [amounts(usage_table(frames_of_fleet, a, b)) for a, b in pairwise(edges)]
    for name, amount in whole.items():
        added = np.nansum([part.get(name, 0.0) for part in parts])
        assert added == pytest.approx(0.0 if np.isnan(amount) else amount, rel=1e-6, abs=1e-6), name


@settings(max_examples=examples(12))
@given(fleet=fleets(), seed=st.integers(0, 99))
def test_the_order_of_rows_does_not_matter(fleet: Any, seed: int) -> None:
    exposure, faults = frames(*fleet)
    mixed = exposure.sample(frac=1, random_state=seed), faults.sample(frac=1, random_state=seed)
    pd.testing.assert_frame_equal(
        usage_table((exposure, faults), 2000, 20_000),
        usage_table(mixed, 2000, 20_000),
        check_exact=False,
        rtol=1e-9,
    )


@settings(max_examples=examples(12))
@given(fleet=fleets(), times=st.integers(2, 50))
def test_rates_do_not_depend_on_the_amount_of_work(fleet: Any, times: int) -> None:
    """With all amounts scaled by a factor, amounts scale and rates per firing hour stay the same."""
    exposure, faults = frames(*fleet)
    scaled = exposure.copy()
    for name in ("operating_s", "firing_s", "judged_s", "bouts", "blows", "blank_s"):
        scaled[name] = scaled[name] * times
    more = pd.concat([faults] * times, ignore_index=True)
    once, many = (usage_table(each, 0, 60_000) for each in ((exposure, faults), (scaled, more)))
    np.testing.assert_allclose(many["amount"], times * once["amount"], rtol=1e-9)
    np.testing.assert_allclose(many["per_firing_h"], once["per_firing_h"], rtol=1e-9)


def test_an_inferred_amount_has_its_reason() -> None:
    tables = frames([worked("HB-01", 0, 3600)], [alert("HB-01", "same_spot", 100, 125, firing_s=25.0)])
    reasons = {(SITE, "HB-01"): [("same_spot", "spots are told apart by pauses only")]}
    table = hammer_usage(*tables, START, START + 3600 * SECOND, SETTINGS, ALL_KNOWN, reasons)
    assert amounts(table, "less_certain")["HB-01", "spot_beyond_s"] == "spots are told apart by pauses only"
    assert amounts(table, "less_certain")["HB-01", "firing_h"] == ""
    assert list(less_certain(table)) == [
        "Less certain for HB-01: firing in one spot beyond the limit (spots are told apart by pauses only)."
    ]
