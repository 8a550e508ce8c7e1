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


def upkeep_of_the_year(*faults: str) -> list[Any]:
    """(onset, clearing) of each, in order."""
    return sorted(span(alert) for alert in found("hired-out") if alert["fault"] in faults)


def test_a_year_on_hire_tells_what_was_due_until_it_was_done() -> None:
    """Due and overdue, taken together, last from when the work was due until it was done; nothing else is told."""
    due = [interval for _, interval in labels("hired-out", "inspection_due")]
    told = upkeep_of_the_year("inspection_due", "inspection_overdue")
    joined = [
        (begun, max((over for start, over in told if start == until), default=until))
        for begun, until in told
        if not any(over == begun for _, over in told)
    ]
    assert joined == sorted(due)
    assert upkeep_of_the_year("service_due") == [one for _, one in labels("hired-out", "service_due")]
    assert upkeep_of_the_year("service_soon")[0][1] == upkeep_of_the_year("service_due")[0][0]


def test_a_long_rest_is_told_of_after_183_days_and_when_it_is_broken() -> None:
    ((_, (rested, fired)),) = labels("hired-out", "idle")
    ((_, unprepared),) = labels("hired-out", "unprepared")
    ((told, over),) = upkeep_of_the_year("storage_due")
    # The last blow was at most 20 s before the engine was stopped.
    assert 0.0 <= rested + 183 * 86_400.0 - told <= 20.0
    assert over == fired
    assert upkeep_of_the_year("storage_use") == upkeep_of_the_year("check_missed") == [unprepared]


def test_nothing_but_upkeep_is_found_on_hire() -> None:
    kinds = {alert["fault"].split("_")[0] for alert in found("hired-out")}
    assert kinds == {"inspection", "service", "storage", "check"}
