"""A fault is attributed to a hammer only if several operators who fired enough had more of it there."""

import pandas as pd
import pytest

from strikewatch.core.finding import Exposure as Hours
from strikewatch.review import rates
from strikewatch.review.data.schemas import EXPOSURE, FAULTS, UNASSIGNED
from strikewatch.review.data.tables import NO_LIMITS, Feeds
from strikewatch.review.statistics.comparisons import (
    SiteFault,
    hammers_above,
    indistinguishable_hammers,
)

SITE = "fennick-hollow"
BEGIN = pd.Timestamp("2026-05-04T06:00Z")
Work = tuple[str, str, float, int]
"""Hammer, operator, firing hours, faults."""


def frames(*work: Work, fault: str = "hot_oil") -> tuple[pd.DataFrame, pd.DataFrame]:
    exposure, faults = [], []
    for k, (hammer, operator, hours, n) in enumerate(work):
        start = BEGIN + pd.Timedelta(days=k)
        end, firing_s = start + pd.Timedelta(hours=8), hours * 3600.0
        exposure.append(
            (
                SITE,
                hammer,
                operator,
                "moil",
                start,
                end,
                2 * firing_s,
                firing_s,
                firing_s,
                10,
                None,
                0.0,
                None,
            )
        )
        for i in range(n):
            onset = start + pd.Timedelta(seconds=20 * i)
            faults.append(
                (
                    *(f"{k}-{i}", fault, SITE, hammer, operator, "moil", "medium", onset),
                    *(onset + pd.Timedelta(seconds=4), 1, 4.0, False, "Invented.", {}),
                )
            )
    return pd.DataFrame(exposure, columns=list(EXPOSURE)), pd.DataFrame(faults, columns=list(FAULTS))


def site(*work: Work, fault: str = "hot_oil", feeds: Feeds = NO_LIMITS) -> SiteFault:
    exposure, faults = frames(*work, fault=fault)
    table = rates.sites(exposure, faults, feeds=feeds)
    (total,) = table[table["fault"] == fault].to_dict("records")
    return SiteFault(SITE, fault, exposure, faults, feeds, total["rate"], total["upper"], total["dispersion"])


OTHERS: tuple[Work, ...] = (("HB-01", "op-13", 20.0, 5), ("HB-02", "op-14", 20.0, 5))


@pytest.mark.parametrize("more", [(), (("HB-03", UNASSIGNED, 0.0, 0),), (("HB-03", "op-12", 0.01, 0),)])
def test_one_operator_does_not_show_that_it_is_the_hammer(more: tuple[Work, ...]) -> None:
    """Unassigned work, and an operator who hardly fired, do not count as a second one."""
    found = dict(hammers_above(site(*OTHERS, ("HB-03", "op-11", 5.0, 40), *more), []))
    assert found == {"HB-03": "unclear"}


def test_two_operators_with_more_of_it_show_that_it_is_the_hammer() -> None:
    found = dict(hammers_above(site(*OTHERS, ("HB-03", "op-11", 5.0, 20), ("HB-03", "op-12", 5.0, 22)), []))
    assert found == {"HB-03": "hammer"}


def test_a_second_operator_without_it_rules_out_the_hammer() -> None:
    found = dict(hammers_above(site(*OTHERS, ("HB-03", "op-11", 5.0, 60), ("HB-03", "op-12", 5.0, 1)), []))
    assert found == {"HB-03": "some"}


def test_operators_who_stand_out_do_not_count() -> None:
    work = *OTHERS, ("HB-03", "op-11", 5.0, 60), ("HB-03", "op-12", 5.0, 2)
    assert dict(hammers_above(site(*work), ["op-11"])) == {}


def test_an_operator_alone_on_a_hammer_cannot_be_told_from_it() -> None:
    work = *OTHERS, ("HB-03", "op-11", 5.0, 60)
    assert list(indistinguishable_hammers(site(*work), ["op-11"])) == [("HB-03", ["op-11"])]
    with_other = *work, ("HB-03", "op-12", 5.0, 1)
    assert list(indistinguishable_hammers(site(*with_other), ["op-11"])) == []
    habit = site(*work, fault="same_spot")
    assert list(indistinguishable_hammers(habit, ["op-11"])) == []


def test_hours_without_the_channel_do_not_count() -> None:
    """The feed of HB-04 cannot show the fault."""
    over: Hours = "firing"
    feeds = Feeds.of({(SITE, "HB-04"): [("hot_oil", "no oil_c in the feed")]}, {})
    table = rates.sites(*frames(*OTHERS, ("HB-04", "op-11", 60.0, 0)), feeds=feeds)
    (found,) = table[table["fault"] == "hot_oil"].to_dict("records")
    assert (found["over"], found["hours"], found["rate"]) == (over, 40.0, 0.25)
