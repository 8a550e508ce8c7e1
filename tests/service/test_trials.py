"""The short form of every trial, the table of trials, and the check of deliveries that trials use."""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.long.trials.__main__ import TRIALS
from tests.long.trials.delivery_check import DeliveryCheck, check_deliveries
from tests.long.trials.runner import part_command, run_trials
from tests.long.trials.trial import Line, Trial, format_line
from tests.receiver import Received

SHORT = [(one.name, part) for one in TRIALS.values() for part in one.parts(one.short)]


@pytest.mark.parametrize(("name", "part"), SHORT)
def test_the_short_form_of_each_trial_holds(tmp_path: Path, name: str, part: str) -> None:
    trial = TRIALS[name]
    lines = list(trial.parts(trial.short)[part](tmp_path))
    assert lines
    assert not any(line.broken for line in lines), "\n".join(format_line(line) for line in lines)


def made_trial(name: str, *parts: str) -> Trial:
    def never(_folder: Path) -> Iterator[Line]:
        raise AssertionError("a part runs in a process of its own")
        yield

    return Trial(name, "all is well", lambda _scale: dict.fromkeys(parts, never), 1.0)


def printed(*lines: Line, then: str = "") -> str:
    """Return a program that prints lines as a part does."""
    shown = "".join(f"print({json.dumps(line._asdict())!r})\n" for line in lines)
    return shown + then


PROGRAMS = {
    "good": printed(Line("nothing", {"share": 0.5})),
    "bad": printed(Line("something", {"alerts": 2000}, ("3 alerts missing",))),
    "ends": printed(Line("the first", {}), then="raise ZeroDivisionError"),
    "killed": "import os, signal; os.kill(os.getpid(), signal.SIGKILL)",
    "silent": "print('not a line')",
}


def run_programs(*trials: tuple[str, tuple[str, ...]]) -> tuple[bool, str]:
    """Run trials whose parts are `PROGRAMS`; return whether all held, and what was reported."""
    reported: list[str] = []
    made = [made_trial(name, *parts) for name, parts in trials]
    held = run_trials(
        made, 1.0, 2, reported.append, lambda _trial, part, _scale: [sys.executable, "-c", PROGRAMS[part]]
    )
    return held, "\n".join(reported)


def test_the_table_has_a_verdict_for_each_trial_and_goes_on_after_a_failure() -> None:
    held, text = run_programs(("one", ("bad", "good")), ("two", ("good",)))
    assert not held
    assert "NOT HELD  something" in text
    assert "alerts 2,000" in text
    assert "! 3 alerts missing" in text
    table = [line.split()[:5] for line in text.splitlines() if line.startswith(("one  ", "two  "))]
    assert table == [["one", "NOT", "HELD", "1", "of"], ["two", "held", "1", "of", "1"]]


@pytest.mark.parametrize(
    ("part", "words"),
    [("ends", "ZeroDivisionError"), ("killed", "its process ended with -9"), ("silent", "not a line")],
)
def test_a_part_that_ends_early_or_says_nothing_has_not_held(part: str, words: str) -> None:
    held, text = run_programs(("one", (part, "good")))
    assert not held
    assert words in text
    assert "held      nothing" in text


def test_all_parts_that_hold_make_the_run_hold() -> None:
    held, text = run_programs(("one", ("good",)))
    assert held
    assert "share 0.5" in text
    assert not run_programs()[0]


def test_a_part_runs_by_its_command() -> None:
    done = subprocess.run(part_command("power", "FULL", 0.1), capture_output=True, text=True, check=True)
    (line,) = (Line(**json.loads(text)) for text in done.stdout.splitlines())
    assert not line.broken
    assert line.figures["cuts"] == 20


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
        accepted=5,
        refused=1,
        repeated=2,
        in_digests=0,
        raised_again=0,
        under_two_ids=0,
        out_of_order=0,
        missing=0,
        unexpected=0,
        different=0,
    )


AGAIN = received_step("6", "raised", cleared=None)
EARLY = received_step("7", "cleared", cleared="2026-03-04T07:20:17.000000Z")


def test_an_alert_whose_clear_was_refuted_is_raised_again_under_another_id() -> None:
    found = check(RAISED, EARLY, EARLY, AGAIN, ESCALATED, CLEARED)
    assert (found.raised_again, found.under_two_ids, found.out_of_order) == (1, 0, 0)
    corrected = check(RAISED, EARLY, CLEARED)
    assert (corrected.raised_again, corrected.under_two_ids, corrected.out_of_order) == (0, 0, 0)


@pytest.mark.parametrize(
    ("received", "wrong"),
    [
        ((RAISED, EARLY, ESCALATED, CLEARED), (0, 1)),
        ((RAISED, EARLY, AGAIN, EARLY, CLEARED), (0, 1)),
        ((RAISED, EARLY, AGAIN, RAISED, CLEARED), (0, 1)),
        ((RAISED, AGAIN, CLEARED), (1, 0)),
        ((RAISED, CLEARED, AGAIN, received_step("8", "cleared")), (1, 0)),
    ],
    ids=["not raised again", "late clear", "late raise", "without a clear", "the clear was right"],
)
def test_each_round_of_steps_is_checked_by_itself(
    received: tuple[Received, ...], wrong: tuple[int, int]
) -> None:
    found = check(*received)
    assert (found.under_two_ids, found.out_of_order) == wrong


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
