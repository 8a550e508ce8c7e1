"""Limits of feeds: no hours where a fault could not be found, and nobody named because of inferred faults."""

import pandas as pd
import pytest

from strikewatch.review import highlights, rates
from strikewatch.review.data.feeds import POSITION_UNKNOWN, Feeds
from tests.review.test_rates import SITE, frames, row

INFERRED_WHY = "spots are told apart by pauses only"
HB_06 = {(SITE, "HB-06"): [("same_spot", INFERRED_WHY)]}


def on(
    hammer: str, tables: tuple[pd.DataFrame, pd.DataFrame], pose: bool
) -> tuple[pd.DataFrame, pd.DataFrame]:
    exposure, faults = (frame.assign(hammer=hammer) for frame in tables)
    return exposure, faults.assign(
        id=faults["id"] + hammer,
        evidence=[{"firing_s": 20.0, "pose_known": pose} for _ in range(len(faults))],
    )


def together(*tables: tuple[pd.DataFrame, pd.DataFrame]) -> tuple[pd.DataFrame, pd.DataFrame]:
    exposure, faults = (pd.concat(part, ignore_index=True) for part in zip(*tables, strict=True))
    return exposure, faults


PLACED = on("HB-01", frames(*[(f"op-{i}", 12.0, {"same_spot": 6}) for i in (11, 12, 13)]), pose=True)
INFERRED = on("HB-06", frames(("op-16", 6.0, {"same_spot": 60})), pose=False)


def test_with_a_full_feed_the_operator_is_above() -> None:
    tables = together(PLACED, on("HB-06", frames(("op-16", 6.0, {"same_spot": 60})), pose=True))
    assert row(rates.operators(*tables), "same_spot", operator="op-16")["standing"] == "above"


@pytest.mark.parametrize("known", [Feeds.of({}, HB_06), Feeds()])
def test_nobody_is_named_because_of_inferred_faults(known: Feeds) -> None:
    """The limit of the feed is known, or only shows in the evidence."""
    table = rates.operators(*together(PLACED, INFERRED), feeds=known)
    result = row(table, "same_spot", operator="op-16")
    assert (result["standing"], result["less_certain"], result["count"]) == ("little", 60, 60)
    assert "60 of 60 are less certain" in result["verdict"]
    assert row(table, "same_spot", operator="op-11")["less_certain"] == 0


def test_an_operator_above_others_on_such_hammers_is_named() -> None:
    others = on("HB-06", frames(("op-17", 12.0, {"same_spot": 12})), pose=False)
    table = rates.operators(*together(PLACED, INFERRED, others), feeds=Feeds.of({}, HB_06))
    assert row(table, "same_spot", operator="op-16")["standing"] == "above"


def test_a_less_certain_highlight_says_so_and_comes_last() -> None:
    _, faults = together(PLACED, on("HB-06", frames(("op-11", 2.0, {"same_spot": 5})), pose=False), INFERRED)
    result = highlights.choose_highlights(faults, 3, Feeds.of({}, HB_06))
    assert {highlight.caveat for highlight in result if highlight.operator == "op-11"} == {""}
    assert {highlight.caveat for highlight in result if highlight.operator == "op-16"} == {INFERRED_WHY}


def test_a_spot_without_known_position_is_less_certain_for_any_feed() -> None:
    assert Feeds().uncertainty((SITE, "HB-01"), "same_spot", {"pose_known": False}) == POSITION_UNKNOWN
    assert Feeds().uncertainty((SITE, "HB-01"), "same_spot", {"pose_known": True}) == ""
    assert Feeds.of({}, HB_06).uncertainty((SITE, "HB-06"), "same_spot", {"pose_known": True}) == ""


def test_hours_on_a_hammer_that_cannot_show_a_fault_do_not_count() -> None:
    blind = on("HB-05", frames(("op-17", 30.0, {})), pose=False)
    feeds = Feeds.of({(SITE, "HB-05"): [("hot_oil", "no oil_c in the feed")]}, {})
    tables = together(PLACED, blind)
    table = rates.operators(*tables, feeds=feeds)
    assert row(table, "hot_oil", operator="op-17")["hours"] == 0.0
    assert row(table, "hot_oil", operator="op-17")["standing"] == "little"
    assert row(table, "hot_oil", operator="op-17")["verdict"] == "Not monitored: no oil_c in the feed."
    assert row(table, "same_spot", operator="op-17")["hours"] == 30.0
    assert row(rates.sites(*tables, feeds=feeds), "hot_oil")["hours"] == 36.0
    assert row(rates.sites(*tables), "hot_oil")["hours"] == 66.0


def test_a_fault_found_nevertheless_counts_with_its_hours() -> None:
    """The feed has lost the channel since."""
    hot_oil_faults = on("HB-05", frames(("op-17", 30.0, {"hot_oil": 2})), pose=False)
    feeds = Feeds.of({(SITE, "HB-05"): [("hot_oil", "no oil_c in the feed")]}, {})
    result = row(rates.operators(*together(PLACED, hot_oil_faults), feeds=feeds), "hot_oil", operator="op-17")
    assert (result["hours"], result["rate"]) == (30.0, pytest.approx(1 / 15))
