"""The short form of every trial, the table of trials, and the check of deliveries that trials use."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.long.trials.__main__ import TRIALS
from tests.long.trials.delivery_check import DeliveryCheck, check_deliveries
from tests.long.trials.trial import Line, Trial, broken, format_line, run_trials
from tests.receiver import Received


@pytest.mark.parametrize("name", TRIALS)
def test_the_short_form_of_each_trial_holds(tmp_path: Path, name: str) -> None:
    lines = list(TRIALS[name].run(tmp_path, TRIALS[name].short))
    assert lines
    assert not any(line.broken for line in lines), "\n".join(format_line(line) for line in lines)


def test_the_table_names_what_did_not_hold_and_continues_after_an_error() -> None:
    def good(_folder: Path, scale: float) -> Iterator[Line]:
        yield Line("nothing", {"share": scale}, broken(alerts_missing=0))

    def bad(_folder: Path, _scale: float) -> Iterator[Line]:
        yield Line("something", {"alerts": 2000}, broken(alerts_missing=3))

    def ends(_folder: Path, _scale: float) -> Iterator[Line]:
        raise ZeroDivisionError
        yield

    reported: list[str] = []
    trials = [Trial(one.__name__, "all is well", one, 1.0) for one in (good, bad, ends)]
    assert run_trials(trials[:1], 0.5, reported.append)
    assert not run_trials(trials[1:2], 1.0, reported.append)
    assert not run_trials([trials[2], trials[0]], 1.0, reported.append)
    text = "\n".join(reported)
    assert "share 0.5" in text
    assert "NOT HELD  something" in text
    assert "alerts 2,000" in text
    assert "! 3 alerts missing" in text
    assert "ZeroDivisionError" in text
    assert text.count("held      nothing") == 2


WANTED: dict[str, Any] = {
    "id": "a",
    "fault": "same_spot",
    "hammer": "HB-01",
    "operator": None,
    "priority": "high",
    "onset": "2026-03-04T07:20:15.000000Z",
    "cleared": "2026-03-04T07:20:35.000000Z",
}


def received_step(name: str, step: str, status: int = 200, **changes: Any) -> Received:
    event = {"type": f"strikewatch.alert.{step}", "data": {**WANTED, **changes}}
    return Received({"webhook-id": name}, b"", event, "", status, 0, 0.0)


RAISED = received_step("1", "raised", priority="medium", cleared=None)
ESCALATED = received_step("2", "escalated", cleared=None)
CLEARED = received_step("3", "cleared")


def check(*received: Received) -> DeliveryCheck:
    return check_deliveries(received, {"a": WANTED}, set())


def test_steps_in_order_and_immediate_repeats_are_accepted() -> None:
    refused = received_step("1", "raised", 503)
    assert check(refused, RAISED, RAISED, ESCALATED, CLEARED, CLEARED) == DeliveryCheck(
        5, 1, 2, 0, 0, 0, 0, 0, 0
    )


@pytest.mark.parametrize(
    "received",
    [
        (CLEARED,),
        (ESCALATED, RAISED, CLEARED),
        (RAISED, CLEARED, ESCALATED),
        (RAISED, ESCALATED, CLEARED, RAISED),
    ],
)
def test_steps_out_of_order_are_counted(received: tuple[Received, ...]) -> None:
    assert check(*received).out_of_order == 1


def test_deliveries_under_two_ids_missing_wrong_and_unexpected_ones_are_counted() -> None:
    assert check(RAISED, received_step("4", "raised")).under_two_ids == 1
    assert check().missing == 1
    assert check(RAISED, ESCALATED).different == 1
    assert check(RAISED, CLEARED, received_step("5", "raised", id="b")).unexpected == 1
