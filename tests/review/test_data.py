"""The frames of a review: work and faults by operator; events without those that were corrected; limits of feeds."""

from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import URL

from strikewatch.core import instant
from strikewatch.core.events import Event, drop_corrected, reference_to
from strikewatch.core.instant import SECOND
from strikewatch.core.stretch import AttributedStretch, Stretch
from strikewatch.review import highlights, rates
from strikewatch.review.data.attribution import Attribution, BoutTotals
from strikewatch.review.data.from_store import read_events
from strikewatch.review.data.schemas import EXPOSURE, FAULTS, OPERATOR_FAULTS, OVER
from strikewatch.review.data.tables import POSITION_UNKNOWN, Feeds, count_faults
from strikewatch.storage.actions.entries import add_entry
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from tests.review.test_rates import SITE, frames, row

KEY = ("fennick-hollow", "HB-01")
START = 1_772_600_400 * SECOND
"""A whole hour."""


def at(minutes: float) -> int:
    return START + round(minutes * 60) * SECOND


def stretch(begin: float, end: float, operator: str | None, tool: str | None = "moil") -> AttributedStretch:
    lasted = float(at(end) - at(begin))
    return AttributedStretch(Stretch(KEY, at(begin), at(end), lasted, lasted / 4), operator, tool)


def alert(onset: float, cleared: float | None, operator: str | None, **more: Any) -> dict[str, Any]:
    record = {
        "id": f"{onset:g}",
        "fault": "grease_overdue",
        "site": KEY[0],
        "hammer": KEY[1],
        "operator": operator,
        "priority": "medium",
        "onset": instant.text(at(onset)),
        "cleared": None if cleared is None else instant.text(at(cleared)),
        "historic": False,
        "summary": "",
        "evidence": {},
    }
    return record | more


def shares(
    stretches: list[AttributedStretch], record: dict[str, Any], end: float = 10_000
) -> dict[str, tuple[int, float]]:
    frame = Attribution(stretches).faults([record], at(end))
    return {row.operator: (row.count_, row.minutes) for row in _rows(frame)}


def _rows(frame: pd.DataFrame) -> Any:
    return frame.assign(minutes=frame["seconds"] / 60, count_=frame["count"]).itertuples()


def test_a_handover_during_an_alert_divides_its_time_but_not_its_count() -> None:
    stretches = [stretch(0, 60, "op-11"), stretch(62, 120, "op-12")]
    assert shares(stretches, alert(50, 100, "op-11")) == {"op-11": (1, 12.0), "op-12": (0, 38.0)}


def test_a_break_belongs_to_the_operator_before_it_and_a_night_to_nobody() -> None:
    stretches = [stretch(0, 60, "op-11"), stretch(90, 120, "op-11"), stretch(900, 960, "op-12")]
    found = shares(stretches, alert(50, 905, "op-11"))
    assert found == {"op-11": (1, 70.0), "unassigned": (0, 780.0), "op-12": (0, 5.0)}


def test_an_active_alert_counts_for_the_operator_until_an_hour_after_the_last_work() -> None:
    stretches = [stretch(0, 60, "op-11")]
    frame = Attribution(stretches).faults([alert(50, None, "op-11")], at(200))
    assert frame["cleared"].isna().all()
    assert dict(zip(frame["operator"], frame["seconds"] / 60, strict=True)) == {
        "op-11": 70.0,
        "unassigned": 80.0,
    }


def test_unassigned_work_does_not_count_for_the_previous_operator() -> None:
    stretches = [stretch(0, 60, "op-11"), stretch(60, 120, None)]
    assert shares(stretches, alert(70, 80, None)) == {"unassigned": (1, 10.0)}
    exposure = Attribution(stretches).exposure()
    assert exposure["operator"].tolist() == ["op-11", "unassigned"]


def test_an_alert_without_recorded_work_counts_for_its_operator() -> None:
    assert shares([], alert(1, 2, "op-11")) == {"op-11": (1, 0.0)}


def test_a_withdrawn_alert_does_not_count() -> None:
    record = alert(1, 2, "op-11", evidence={"withdrawn": True})
    assert len(Attribution([stretch(0, 60, "op-11")]).faults([record], at(60))) == 0


def test_bouts_count_in_the_stretch_in_which_they_began() -> None:
    attribution = Attribution([stretch(60, 120, "op-12"), stretch(0, 60, "op-11")])
    attribution.add_bouts(KEY, at(10), BoutTotals(3, 6.0 * SECOND, 1.5 * SECOND))
    attribution.add_bouts(KEY, at(60), BoutTotals(1, 2.0 * SECOND, 0.0, 20.0, 3.0))
    attribution.add_bouts(KEY, at(70), BoutTotals(1, 2.0 * SECOND, 0.5 * SECOND))
    attribution.add_bouts(("fennick-hollow", "HB-99"), at(70), BoutTotals(1, 2.0 * SECOND))
    frame = attribution.exposure()
    assert frame["bouts"].tolist() == [3, 2]
    assert frame["judged_s"].tolist() == [6.0, 4.0]
    assert frame["blows"].fillna(-1).tolist() == [-1.0, 20.0]
    assert frame["blank_s"].tolist() == [1.5, 0.5]
    assert frame["blank_blows"].fillna(-1).tolist() == [-1.0, 3.0]


def test_adding_many_bouts_equals_adding_each() -> None:
    stretches = [stretch(60, 120, "op-12"), stretch(0, 60, "op-11"), stretch(130, 140, None)]
    starts = np.array([at(minutes) for minutes in (3, 59, 60, 61, 119, 131)])
    judged, blows = SECOND * np.arange(6.0), np.array([np.nan, np.nan, 5.0, np.nan, 7.0, np.nan])
    columns = judged, judged / 4, blows, blows - 4
    singly, concatenate = Attribution(stretches), Attribution(stretches)
    for start, values in zip(starts.tolist(), zip(*(c.tolist() for c in columns), strict=True), strict=True):
        singly.add_bouts(KEY, start, BoutTotals(1, *(None if value != value else value for value in values)))
    concatenate.add_bout_columns(KEY, starts, *columns)
    concatenate.add_bout_columns(("fennick-hollow", "HB-99"), starts, *columns)
    pd.testing.assert_frame_equal(singly.exposure(), concatenate.exposure())
    assert concatenate.exposure()["bouts"].tolist() == [2, 3, 1]


@pytest.mark.parametrize("some", [True, False])
def test_columns_have_the_same_types_also_without_rows(some: bool) -> None:
    attribution = Attribution([stretch(0, 60, "op-11")] if some else [])
    exposure, faults = (
        attribution.exposure(),
        attribution.faults([alert(1, 2, "op-11")] if some else [], at(60)),
    )
    assert list(exposure) == list(EXPOSURE)
    assert list(faults) == list(FAULTS)
    kinds = {name: str(kind) for name, kind in {**exposure.dtypes, **faults.dtypes}.items()}
    assert {kinds[name] for name in ("start", "end", "onset", "cleared")} == {"datetime64[ns, UTC]"}
    assert {kinds[name] for name in ("operating_s", "firing_s", "judged_s", "blows", "seconds")} == {
        "float64"
    }
    assert (kinds["bouts"], kinds["count"], kinds["historic"]) == ("int64", "int64", "bool")


KINDS = ("inspection", "work")


def test_events_are_read_in_order_up_to_an_instant_without_corrected_ones(where: Path | URL) -> None:
    def event(at_s: int, kind: str, site: str = "fennick-hollow", **fields: object) -> Event:
        return Event(site, "HB-01", kind, at_s * SECOND, fields)

    with closing(Store(where)) as store:
        later, first = event(20, "work", work="benching"), event(10, "inspection", bore_mm=1434.0)
        right = event(11, "inspection", bore_mm=143.4)
        bore = event(5, "inspection", "elsewhere", bore_mm=130.0)
        for entry in (later, bore, event(12, "service"), event(99, "work", work="trenching")):
            add_entry(store, entry, who="fitter", now=100 * SECOND)
        number = add_entry(store, first, who="fitter", now=101 * SECOND).number
        assert read_events(store, KINDS, 99 * SECOND) == [bore, first, later]
        right = add_entry(store, right, who="fitter", now=102 * SECOND, corrects=number).event
        assert read_events(store, KINDS, 99 * SECOND) == [bore, right, later]
        assert read_events(store, KINDS, 99 * SECOND, "fennick-hollow") == [right, later]
        # A withdrawal in the same step as the event that it withdraws removes both.
        wrong = event(30, "inspection", bore_mm=1.0)
        withdrawals = [
            event(at_s, "withdrawal", corrects=reference_to(entry))
            for at_s, entry in ((98, wrong), (99, right))
        ]
        store.commit(StepRecord(103 * SECOND, [], events=[wrong, *withdrawals]))
        assert read_events(store, KINDS, 99 * SECOND) == [bore, later]


def test_corrected_events_of_a_recording_are_dropped() -> None:
    def event(at_s: int, kind: str, hammer: str = "HB-01", **fields: object) -> Event:
        return Event("fennick-hollow", hammer, kind, at_s * SECOND, fields)

    first, bore, second = (
        event(1, "inspection", bore_mm=1.0),
        event(1, "inspection", "HB-02"),
        event(5, "work"),
    )
    right = event(1, "inspection", bore_mm=140.0, corrects=reference_to(first))
    withdrawal = event(9, "withdrawal", corrects=reference_to(second))
    assert drop_corrected([first, bore, second, right]) == [bore, second, right]
    assert drop_corrected([first, bore, second, right, withdrawal]) == [bore, right]
    assert drop_corrected([withdrawal, second]) == [second]
    # The replacement has the reference of the event it replaced, and can be withdrawn by it.
    assert drop_corrected([first, bore, right, event(9, "withdrawal", corrects=reference_to(right))]) == [
        bore
    ]


INFERRED_WHY = "spots are told apart by pauses only"
HB_06 = {(SITE, "HB-06"): [("same_spot", INFERRED_WHY)]}


def on_hammer(
    hammer: str, tables: tuple[pd.DataFrame, pd.DataFrame], pose: bool
) -> tuple[pd.DataFrame, pd.DataFrame]:
    exposure, faults = (frame.assign(hammer=hammer) for frame in tables)
    return exposure, faults.assign(
        id=faults["id"] + hammer,
        evidence=[{"firing_s": 20.0, "pose_known": pose} for _ in range(len(faults))],
    )


def concatenate(*tables: tuple[pd.DataFrame, pd.DataFrame]) -> tuple[pd.DataFrame, pd.DataFrame]:
    exposure, faults = (pd.concat(part, ignore_index=True) for part in zip(*tables, strict=True))
    return exposure, faults


PLACED = on_hammer("HB-01", frames(*[(f"op-{i}", 12.0, {"same_spot": 6}) for i in (11, 12, 13)]), pose=True)
INFERRED = on_hammer("HB-06", frames(("op-16", 6.0, {"same_spot": 60})), pose=False)


def test_with_a_full_feed_the_operator_is_above() -> None:
    tables = concatenate(PLACED, on_hammer("HB-06", frames(("op-16", 6.0, {"same_spot": 60})), pose=True))
    assert row(rates.operators(*tables), "same_spot", operator="op-16")["standing"] == "above"


@pytest.mark.parametrize("known", [Feeds.of({}, HB_06), Feeds()])
def test_nobody_is_named_because_of_inferred_faults(known: Feeds) -> None:
    """The limit of the feed is known, or only shows in the evidence."""
    table = rates.operators(*concatenate(PLACED, INFERRED), feeds=known)
    result = row(table, "same_spot", operator="op-16")
    assert (result["standing"], result["less_certain"], result["count"]) == ("little", 60, 60)
    assert "60 of 60 are less certain" in result["verdict"]
    assert row(table, "same_spot", operator="op-11")["less_certain"] == 0


def test_an_operator_above_others_on_such_hammers_is_named() -> None:
    others = on_hammer("HB-06", frames(("op-17", 12.0, {"same_spot": 12})), pose=False)
    table = rates.operators(*concatenate(PLACED, INFERRED, others), feeds=Feeds.of({}, HB_06))
    assert row(table, "same_spot", operator="op-16")["standing"] == "above"


def test_a_less_certain_highlight_says_so_and_comes_last() -> None:
    _, faults = concatenate(
        PLACED, on_hammer("HB-06", frames(("op-11", 2.0, {"same_spot": 5})), pose=False), INFERRED
    )
    result = highlights.choose_highlights(faults, 3, Feeds.of({}, HB_06))
    assert {highlight.caveat for highlight in result if highlight.operator == "op-11"} == {""}
    assert {highlight.caveat for highlight in result if highlight.operator == "op-16"} == {INFERRED_WHY}


def test_a_spot_without_known_position_is_less_certain_for_any_feed() -> None:
    assert Feeds().uncertainty((SITE, "HB-01"), "same_spot", {"pose_known": False}) == POSITION_UNKNOWN
    assert Feeds().uncertainty((SITE, "HB-01"), "same_spot", {"pose_known": True}) == ""
    assert Feeds.of({}, HB_06).uncertainty((SITE, "HB-06"), "same_spot", {"pose_known": True}) == ""


def test_hours_on_a_hammer_that_cannot_show_a_fault_do_not_count() -> None:
    blind = on_hammer("HB-05", frames(("op-17", 30.0, {})), pose=False)
    feeds = Feeds.of({(SITE, "HB-05"): [("hot_oil", "no oil_c in the feed")]}, {})
    tables = concatenate(PLACED, blind)
    table = rates.operators(*tables, feeds=feeds)
    assert row(table, "hot_oil", operator="op-17")["hours"] == 0.0
    assert row(table, "hot_oil", operator="op-17")["standing"] == "little"
    assert row(table, "hot_oil", operator="op-17")["verdict"] == "Not monitored: no oil_c in the feed."
    assert row(table, "same_spot", operator="op-17")["hours"] == 30.0
    assert row(rates.sites(*tables, feeds=feeds), "hot_oil")["hours"] == 36.0
    assert row(rates.sites(*tables), "hot_oil")["hours"] == 66.0


def test_a_fault_found_nevertheless_counts_with_its_hours() -> None:
    """The feed has lost the channel since."""
    hot_oil_faults = on_hammer("HB-05", frames(("op-17", 30.0, {"hot_oil": 2})), pose=False)
    feeds = Feeds.of({(SITE, "HB-05"): [("hot_oil", "no oil_c in the feed")]}, {})
    result = row(
        rates.operators(*concatenate(PLACED, hot_oil_faults), feeds=feeds), "hot_oil", operator="op-17"
    )
    assert (result["hours"], result["rate"]) == (30.0, pytest.approx(1 / 15))


BY = ["site", "hammer", "operator"]
_names = st.tuples(
    st.sampled_from(["fennick-hollow", "north-cut"]),
    st.sampled_from(["HB-01", "HB-02"]),
    st.sampled_from(["op-11", "op-12", None]),
)
_seconds = st.integers(0, 9_000)
_some_faults = st.sampled_from([*OPERATOR_FAULTS[:4], OPERATOR_FAULTS[-1]])


@given(
    work=st.lists(st.tuples(_names, _seconds, _seconds, _seconds), max_size=8),
    found=st.lists(st.tuples(_names, _some_faults, st.integers(0, 1), _seconds), max_size=8),
    shown=st.sets(st.tuples(st.sampled_from(["fennick-hollow", "north-cut"]), _some_faults), max_size=8),
    silent=st.sets(st.tuples(_names, _some_faults), max_size=3),
)
def test_counts_and_hours_are_those_of_plain_sums(work: Any, found: Any, shown: Any, silent: Any) -> None:
    """Work and faults without an operator have no row; an unmonitored hammer counts if the fault was found on it."""
    columns = ["operating_s", "firing_s", "judged_s"]
    exposure = pd.DataFrame([(*who, *amounts) for who, *amounts in work], columns=[*BY, *columns])
    faults = pd.DataFrame([(*who, *one) for who, *one in found], columns=[*BY, "fault", "count", "seconds"])
    feeds = Feeds.of({(site, hammer): [(fault, "not sampled")] for (site, hammer, _), fault in silent}, {})
    shown_frame = pd.DataFrame(sorted(shown), columns=["site", "fault"], dtype=object)
    expected = []
    with_fault = {who for who, fault, *_ in found if (who[0], fault) in shown}
    for who in sorted({who for who, *_ in work} | with_fault, key=str):
        for fault in OPERATOR_FAULTS:
            if (who[0], fault) not in shown or None in who:
                continue
            on_hammer = [one for one in found if one[0][:2] == who[:2] and one[1] == fault]
            judged = bool(on_hammer) or fault not in feeds.silent.get(who[:2], {})
            sums = [sum(one[k] for one in work if one[0] == who) if judged else 0 for k in (1, 2, 3)]
            own = [one for one in on_hammer if one[0] == who]
            hours = sums[["operating", "firing", "judged"].index(OVER.get(fault, "firing"))] / 3600
            share = sums[2] / sums[1] if sums[1] else None
            expected.append(
                (*who, fault, hours, share, sum(one[2] for one in own), sum(one[3] for one in own))
            )
    table = count_faults(exposure, faults, BY, shown_frame, feeds)
    rows = table[[*BY, "fault", "hours", "judged_share", "count", "seconds"]].astype(object)
    assert list(rows.where(rows.notna(), None).itertuples(index=False, name=None)) == expected
