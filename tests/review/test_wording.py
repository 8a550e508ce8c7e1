"""Sentences on the comparison: too little data is never reported as a fault of everybody."""

import numpy as np
import pandas as pd
import pytest

from strikewatch.review import rates
from strikewatch.review.coaching import read
from strikewatch.review.data.feeds import Feeds
from strikewatch.review.report import files, wording
from strikewatch.review.report.files import render_html
from tests.review.invented import operators, report
from tests.review.invented import tables as invented
from tests.review.test_rates import MONDAY, SITE, USUAL, frames

NOBODY = wording.NOBODY_STANDS_OUT


def overall(*people: tuple[str, float, dict[str, int]]) -> str:
    table = rates.operators(*frames(*people))
    return wording.overall_verdict(table[table["fault"] == "same_spot"])


def test_with_enough_data_a_spread_fault_concerns_everybody() -> None:
    assert overall(*USUAL) == NOBODY


def test_with_too_little_data_nothing_is_concluded() -> None:
    text = overall(*[(f"op-{i}", 0.5, {"same_spot": 1}) for i in range(11, 19)])
    assert text.startswith(wording.NOT_ENOUGH)
    assert NOBODY not in text


def test_operators_who_cannot_be_judged_are_counted() -> None:
    """The two who can be judged do not represent the six others."""
    few = [(f"op-{i}", 0.9, {"same_spot": 1}) for i in range(20, 26)]
    text = overall(*((name, 8.0, {"same_spot": 8}) for name in ("op-11", "op-12")), *few)
    assert text.startswith(wording.NOT_ENOUGH)
    assert "6 of 8 operators cannot be judged on any fault yet" in text


def test_faults_without_occurrence_do_not_count_as_judged() -> None:
    """Without hot oil, all are as the site; for spots there is too little data."""
    report_ = report(invented(operators(3), rate_of={"same_spot": 0.02}), most=0)
    (site,) = report_.sites
    if site.cards:
        assert site.overall.startswith(wording.NOT_ENOUGH)
        assert {person.summary for person in site.people} <= {
            "Not enough data to judge yet",
            "No faults in this period",
        }


def test_no_overall_verdict_if_an_operator_stands_out() -> None:
    assert overall(*USUAL, ("op-15", 10.0, {"same_spot": 90})) == ""


def test_a_fault_that_cannot_be_found_is_not_reported_as_none() -> None:
    feeds = Feeds.of(
        {(SITE, "HB-01"): [("hot_oil", "no oil_c")], (SITE, "HB-02"): [("hot_oil", "x"), ("prying", "y")]}, {}
    )
    text = list(
        wording.faults_without_occurrence(
            ["same_spot", "hot_oil", "prying"], SITE, ["HB-01", "HB-02"], feeds, read()
        )
    )
    assert text == [
        "None in this period: too long in one spot, prying with the tool (not monitored on HB-02).",
        "Not monitored on any hammer: working with hot oil.",
    ]


@pytest.mark.parametrize("clustered", [False, True])
def test_widened_limits_are_not_called_exact(clustered: bool) -> None:
    report_ = invented(operators(5))
    for table in (report_.operators, report_.sites, report_.hammers):
        table["dispersion"], table["limits"] = (3.0, "widened") if clustered else (1.0, "exact")
    page = render_html(report(report_, most=0)).partition('id="reading"')[0]
    assert ("exact 95 % limits" in page) != clustered
    assert ("approximate, widened" in page) == clustered


def test_limits_too_wide_to_be_useful_are_left_out_of_page_and_files() -> None:
    exposure, faults = frames(*[(f"op-{i}", 40.0, {"same_spot": 80, "hot_oil": 1}) for i in range(11, 16)])
    table = rates.operators(
        exposure, faults.assign(onset=faults["onset"].where(faults["fault"] != "x", MONDAY))
    )
    assert (table.loc[table["fault"] == "hot_oil", "limits"] == "little").all()
    shown = files.without_wide_limits(table)
    wide = shown["limits"] == "little"
    assert shown.loc[wide, ["lower", "upper"]].isna().all(axis=None)
    assert np.isfinite(shown.loc[~wide & (shown["hours"] > 0), ["upper"]]).all(axis=None)
    text = files.to_json({"operators": table}, {})
    assert pd.notna(table.loc[wide, "upper"]).all()
    for upper in table.loc[wide, "upper"].unique():
        assert f"{upper:.6f}"[:7] not in text
