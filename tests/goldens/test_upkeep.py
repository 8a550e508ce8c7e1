"""What the code finds of upkeep is what was done, and left undone, in the recorded shifts."""

import json
from typing import Any

import pytest

from tests.goldens.bless import SHIFTS
from tests.goldens.test_goldens import at, labels
from tests.goldens.test_misuse import found, span


def one_of(fault: str) -> dict[str, Any]:
    (alert,) = [alert for alert in found("wet-trench") if alert["fault"] == fault]
    return alert


def test_a_turn_without_the_check_is_told_at_its_first_blow() -> None:
    """Within the half second of the feed's rows; the turns with a check, in both shifts, are not told."""
    ((label, (_, first_blow)),) = labels("wet-trench", "unchecked")
    alert = one_of("check_missed")
    assert 0.0 <= at(alert["onset"]) - first_blow <= 0.5
    assert alert["operator"] == label["operator"]
    assert not [one for one in found("full-bench") if one["fault"] == "check_missed"]


def test_a_misread_hour_meter_is_told_until_it_is_entered_again() -> None:
    ((_, interval),) = labels("wet-trench", "misread")
    assert span(one_of("hour_meter")) == interval


def test_hours_that_the_gateway_missed_bring_the_inspection_near_until_it_is_done() -> None:
    lines = (SHIFTS / "wet-trench" / "events.jsonl").read_text("utf-8").splitlines()
    events = [json.loads(line) for line in lines]
    read, done = (
        next(at(one["time"]) for one in events if one["event"] == kind and one.get("reason") != "moved")
        for kind in ("hours", "inspection")
    )
    alert = one_of("inspection_soon")
    assert span(alert) == (read, done)
    assert alert["evidence"]["since_inspection_h"] == pytest.approx(1251.2 - 1204.5, abs=0.2)
