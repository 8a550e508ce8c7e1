"""What the trials of deliveries would find: orders and repeats that must not be."""

from typing import Any

import pytest

from tests.long.trials.told import Told, told
from tests.receiver import Received

WANTED: dict[str, Any] = {
    "id": "a",
    "fault": "same_spot",
    "hammer": "HB-01",
    "operator": None,
    "priority": "high",
    "onset": "2026-03-04T07:20:15.000000Z",
    "cleared": "2026-03-04T07:20:35.000000Z",
}


def taken(name: str, step: str, status: int = 200, **changes: Any) -> Received:
    event = {"type": f"strikewatch.alert.{step}", "data": {**WANTED, **changes}}
    return Received({"webhook-id": name}, b"", event, "", status, 0, 0.0)


RAISED = taken("1", "raised", priority="medium", cleared=None)
ESCALATED = taken("2", "escalated", cleared=None)
CLEARED = taken("3", "cleared")


def judged(*received: Received) -> Told:
    return told(received, {"a": WANTED}, set())


def test_steps_in_order_and_repeats_at_once_are_right() -> None:
    refused = taken("1", "raised", 503)
    assert judged(refused, RAISED, RAISED, ESCALATED, CLEARED, CLEARED) == Told(5, 1, 2, 0, 0, 0, 0, 0, 0)


@pytest.mark.parametrize(
    "received",
    [
        (CLEARED,),
        (ESCALATED, RAISED, CLEARED),
        (RAISED, CLEARED, ESCALATED),
        (RAISED, ESCALATED, CLEARED, RAISED),
    ],
)
def test_what_comes_out_of_order_is_counted(received: tuple[Received, ...]) -> None:
    assert judged(*received).out_of_order == 1


def test_what_is_told_under_two_ids_not_at_all_wrongly_or_of_nothing_is_counted() -> None:
    assert judged(RAISED, taken("4", "raised")).under_two_ids == 1
    assert judged().untold == 1
    assert judged(RAISED, ESCALATED).told_otherwise == 1
    assert judged(RAISED, CLEARED, taken("5", "raised", id="b")).told_in_excess == 1
