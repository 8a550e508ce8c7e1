"""A fault is put down to a hammer only where several hands that fired enough had more of it there."""

import pandas as pd
import pytest

from strikewatch.review import rates
from strikewatch.review.data.feeds import NO_LIMITS, Feeds
from strikewatch.review.data.schemas import EXPOSURE, FAULTS, UNASSIGNED, Hours
from strikewatch.review.statistics.operator_or_hammer import (
    SiteFault,
    hammers_above,
    indistinguishable_hammers,
)

SITE = "fennick-hollow"
BEGIN = pd.Timestamp("2026-05-04T06:00Z")
Hand = tuple[str, str, float, int]
"""Hammer, operator, firing hours, faults."""


def frames(*hands: Hand, fault: str = "hot_oil") -> tuple[pd.DataFrame, pd.DataFrame]:
    exposure, faults = [], []
    for k, (hammer, operator, hours, n) in enumerate(hands):
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


def site(*hands: Hand, fault: str = "hot_oil", feeds: Feeds = NO_LIMITS) -> SiteFault:
    exposure, faults = frames(*hands, fault=fault)
    table = rates.sites(exposure, faults, feeds=feeds)
    (total,) = table[table["fault"] == fault].to_dict("records")
    return SiteFault(SITE, fault, exposure, faults, feeds, total["rate"], total["upper"], total["dispersion"])


OTHERS: tuple[Hand, ...] = (("HB-01", "op-13", 20.0, 5), ("HB-02", "op-14", 20.0, 5))


@pytest.mark.parametrize("more", [(), (("HB-03", UNASSIGNED, 0.0, 0),), (("HB-03", "op-12", 0.01, 0),)])
def test_one_hand_is_not_whoever_operates_it(more: tuple[Hand, ...]) -> None:
    """Nor is nobody signed on, or somebody who hardly fired, a second one."""
    found = dict(hammers_above(site(*OTHERS, ("HB-03", "op-11", 5.0, 40), *more), []))
    assert found == {"HB-03": "unclear"}


def test_two_hands_with_more_of_it_are_the_hammer() -> None:
    found = dict(hammers_above(site(*OTHERS, ("HB-03", "op-11", 5.0, 20), ("HB-03", "op-12", 5.0, 22)), []))
    assert found == {"HB-03": "hammer"}


def test_a_second_hand_without_it_clears_the_hammer() -> None:
    found = dict(hammers_above(site(*OTHERS, ("HB-03", "op-11", 5.0, 60), ("HB-03", "op-12", 5.0, 1)), []))
    assert found == {"HB-03": "some"}


def test_those_above_the_others_do_not_count() -> None:
    hands = *OTHERS, ("HB-03", "op-11", 5.0, 60), ("HB-03", "op-12", 5.0, 2)
    assert dict(hammers_above(site(*hands), ["op-11"])) == {}


def test_whoever_stands_out_alone_on_a_hammer_may_suffer_from_it() -> None:
    hands = *OTHERS, ("HB-03", "op-11", 5.0, 60)
    assert list(indistinguishable_hammers(site(*hands), ["op-11"])) == [("HB-03", ["op-11"])]
    with_other = *hands, ("HB-03", "op-12", 5.0, 1)
    assert list(indistinguishable_hammers(site(*with_other), ["op-11"])) == []
    habit = site(*hands, fault="same_spot")
    assert list(indistinguishable_hammers(habit, ["op-11"])) == []


def test_hours_without_the_channel_are_no_hands() -> None:
    """Two hands fired enough on HB-03, but of one of them its feed shows nothing."""
    over: Hours = "firing"
    feeds = Feeds.of({(SITE, "HB-04"): [("hot_oil", "no oil_c in the feed")]}, {})
    table = rates.sites(*frames(*OTHERS, ("HB-04", "op-11", 60.0, 0)), feeds=feeds)
    (found,) = table[table["fault"] == "hot_oil"].to_dict("records")
    assert (found["over"], found["hours"], found["rate"]) == (over, 40.0, 0.25)
