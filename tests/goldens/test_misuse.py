"""What the code finds on carriers with more sensors is what was done there: all that is labelled, nothing else."""

import json
from functools import cache
from typing import Any

import pytest

from tests.goldens.bless import findings
from tests.goldens.test_goldens import Interval, at, labels, meet

SHIFTS = ("full-bench", "wet-trench")
SECONDS = {
    "low_engine_speed": ("firing_slow_s", 5.0),
    "end_of_stroke": ("firing_end_s", 1.0),
    "over_side": ("firing_over_side_s", 3.0),
    "off_square": ("firing_off_square_s", 2.0),
    "feed_force": ("firing_off_band_s", 3.0),
    "prying": ("pried_s", 0.5),
    "submerged": ("firing_submerged_s", 0.0),
}
"""Of each fault: the evidence that says for how long, and how long is a fault."""
SLACK_S = 1.6
"""A sample of pose or engine speed every second, at its beginning and its end two of a feed at 2 Hz besides."""
ROW_S = 0.5
"""Only the next row of the slower feed says that it is over."""
IN_PLACE = ("end_of_stroke", "over_side", "off_square")


@cache
def found(name: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in findings(name)]


def causes(alert: dict[str, Any]) -> list[str]:
    told: str = alert["evidence"].get("causes", alert["fault"])
    return told.split()


def span(alert: dict[str, Any]) -> Interval:
    return at(alert["onset"]), at(alert["cleared"]) if alert["cleared"] else float("inf")


def of(name: str, truth: str) -> list[tuple[dict[str, Any], Interval]]:
    """Alerts that have this cause, where they stand."""
    return [(one, span(one)) for one in found(name) if truth in causes(one)]


@pytest.mark.parametrize("truth", SECONDS)
@pytest.mark.parametrize("name", SHIFTS)
def test_every_misuse_is_found_once_with_its_operator_and_its_seconds(name: str, truth: str) -> None:
    seconds, limit_s = SECONDS[truth]
    for label, interval in labels(name, truth):
        if label["s"] < limit_s + SLACK_S / 2:
            continue
        one, *others = [alert for alert, stood in of(name, truth) if meet(interval, stood)]
        assert not others
        assert one["operator"] == label["operator"]
        assert one["evidence"][seconds] == pytest.approx(label["s"], abs=SLACK_S)


@pytest.mark.parametrize("truth", SECONDS)
@pytest.mark.parametrize("name", SHIFTS)
def test_no_misuse_is_found_where_there_was_none(name: str, truth: str) -> None:
    true = [(begun, over + ROW_S) for _, (begun, over) in labels(name, truth)]
    for alert, stood in of(name, truth):
        assert any(meet(stood, interval) for interval in true), alert


def test_each_misuse_is_in_the_shifts_at_all() -> None:
    """So that the two tests above have something to hold."""
    for truth in SECONDS:
        assert sum(len(of(name, truth)) for name in SHIFTS) >= 2, truth


@pytest.mark.parametrize("name", SHIFTS)
def test_what_is_wrong_about_one_position_is_one_alert(name: str) -> None:
    """Labels of one interval are told together, with a cause each."""
    standing = [(alert, span(alert)) for alert in found(name) if alert["fault"] in IN_PLACE]
    for truth in IN_PLACE:
        for _, interval in labels(name, truth):
            wrong = {other for other in IN_PLACE for _, its in labels(name, other) if its == interval}
            (alert,) = [alert for alert, stood in standing if meet(interval, stood)]
            assert set(causes(alert)) == wrong


@pytest.mark.parametrize(("truth", "cause"), [("grease_low", "reservoir"), ("no_grease_flow", "flow")])
def test_trouble_of_the_automatic_greasing_is_found_for_as_long_as_it_lasts(truth: str, cause: str) -> None:
    """Level and flow are sampled every 10 s while the gateway has power; flow is judged after 10 min of firing."""
    alerts = [(one, span(one)) for one in found("wet-trench") if one["fault"] == "grease_feed"]
    assert len(alerts) == 2
    ((_, (begun, over)),) = labels("wet-trench", truth)
    ((alert, (onset, cleared)),) = [
        (one, stood) for one, stood in alerts if cause in one["evidence"]["causes"]
    ]
    if cause == "reservoir":
        assert abs(onset - begun) <= 90.0  # the sensor's noise about a level that falls 3 % an hour
    else:
        assert 600.0 <= onset - begun <= 2400.0
    assert 0.0 <= cleared - over <= 180.0
    assert alert["operator"] is None or alert["priority"] == "medium"
