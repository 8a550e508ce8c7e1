"""What silence brings to light: found live at its exact instant, however long the settings make it wait, and no more
often looked for than it may be found. The real worker and store under simulated clocks."""

from pathlib import Path
from typing import Any

import pytest

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from tests.long.trials.site import Clocks, Works, works

NOON = 1_772_622_000 * SECOND
HAMMER = "HB-01"


def work(at_work: Works, seconds: int) -> int:
    """A hammer works at one row a second; the instant of its last row."""
    for _ in range(seconds):
        at_work.clocks.true += SECOND
        row = {"time": instant.text(at_work.clocks.true), "active": False, "engine_rpm": 1500.0}
        at_work.line.send(HAMMER, "samples", row)
        at_work.turn()
    return at_work.clocks.true


def rest(at_work: Works, seconds: int, step_s: int = 1) -> int:
    """Nothing is heard; how often the worker looked ahead."""
    looks = 0
    step = at_work.worker._pipeline.step

    def counted(batch: Any, **more: Any) -> Any:
        nonlocal looks
        looks += 1
        return step(batch, **more)

    at_work.worker._pipeline.step = counted  # type: ignore[method-assign]
    for _ in range(0, seconds, step_s):
        at_work.clocks.true += step_s * SECOND
        at_work.turn()
    at_work.worker._pipeline.step = step  # type: ignore[method-assign]
    return looks


@pytest.mark.parametrize(("silence_s", "grace_s"), [(600.0, 5.0), (30.0, 500.0), (900.0, 700.0)])
def test_silence_is_reported_at_its_instant_whatever_its_length(
    tmp_path: Path, silence_s: float, grace_s: float
) -> None:
    tables = {"faults": {"signal_lost": {"silence_s": silence_s}}, "intake": {"grace_s": grace_s}}
    with works(tmp_path / "works", Clocks(NOON), **tables) as at_work:
        last = work(at_work, 20)
        rest(at_work, int(silence_s + grace_s) - 2)
        assert at_work.alerts() == []
        rest(at_work, 4)
        (alert,) = at_work.alerts()
        assert (alert["fault"], alert["onset"]) == (
            "signal_lost",
            instant.text(last + round(silence_s * SECOND)),
        )
        back = work(at_work, 5) - 4 * SECOND
        (alert,) = at_work.alerts()
        assert (alert["cleared"], alert["evidence"]) == (
            instant.text(back),
            {"silent_s": (back - last) / SECOND},
        )


def test_what_the_calendar_brings_is_found_at_its_instant_and_a_parked_hammer_costs_nothing_meanwhile(
    tmp_path: Path,
) -> None:
    """Looked at each second only while its detectors may still find something; the operating clocks stand still."""
    day = 86_400
    tables = {"faults": {"upkeep": {"inspection_soon_days": 2.0, "inspection_due_days": 3.0}}}
    with works(tmp_path / "works", Clocks(NOON), **tables) as at_work:
        last = work(at_work, 20)
        first = last - 19 * SECOND
        assert rest(at_work, 300) < 200
        assert rest(at_work, 2 * day - 1000, 100) == 0
        assert rest(at_work, 1000, 100) == 1
        assert rest(at_work, 2 * day, 100) == 1
        found = {one["fault"]: one for one in at_work.alerts() if one["fault"] != "signal_lost"}
        onsets = {fault: one["onset"] for fault, one in found.items()}
        assert onsets == {
            "inspection_soon": instant.text(first + 2 * day * SECOND),
            "inspection_due": instant.text(first + 3 * day * SECOND),
        }
        work(at_work, 30)
        evidence = next(one for one in at_work.alerts() if one["fault"] == "inspection_due")["evidence"]
        assert evidence["since_inspection_h"] == pytest.approx(29 / 3600, abs=1e-4)


def test_an_event_that_comes_in_a_long_silence_takes_effect(tmp_path: Path) -> None:
    tables = {"faults": {"grease": {"due_s": 5.0, "overdue_s": 10.0}}}
    with works(tmp_path / "works", Clocks(NOON), **tables) as at_work:
        work(at_work, 20)
        rest(at_work, 3600, 10)
        greased = at_work.clocks.true
        at_work.line.send(
            HAMMER, "events", {"time": instant.text(greased), "event": "grease", "strokes": [12, 12]}
        )
        rest(at_work, 20)
        (alert,) = (one for one in at_work.alerts() if one["fault"] == "grease_overdue")
        assert alert["cleared"] == instant.text(greased)
