"""What silence brings to light: found live at its exact instant, however long the settings make it wait, and no more
often looked for than it may be found. The real worker and store under simulated clocks."""

from pathlib import Path
from typing import Any

import pytest

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from tests.long.trials.site import Clocks, SimulatedSite, simulated_site

NOON = 1_772_622_000 * SECOND
HAMMER = "HB-01"


def work(site: SimulatedSite, seconds: int) -> int:
    """Send one row a second of a working hammer; return the instant of its last row."""
    for _ in range(seconds):
        site.clocks.true += SECOND
        row = {"time": instant.text(site.clocks.true), "active": False, "engine_rpm": 1500.0}
        site.line.send(HAMMER, "samples", row)
        site.turn()
    return site.clocks.true


def rest(site: SimulatedSite, seconds: int, step_s: int = 1) -> int:
    """Let time pass without messages; return how often the worker looked ahead."""
    looks = 0
    step = site.worker._pipeline.step

    def counted(batch: Any, **more: Any) -> Any:
        nonlocal looks
        looks += 1
        return step(batch, **more)

    site.worker._pipeline.step = counted  # type: ignore[method-assign]
    for _ in range(0, seconds, step_s):
        site.clocks.true += step_s * SECOND
        site.turn()
    site.worker._pipeline.step = step  # type: ignore[method-assign]
    return looks


@pytest.mark.parametrize(("silence_s", "grace_s"), [(600.0, 5.0), (30.0, 500.0), (900.0, 700.0)])
def test_silence_is_reported_at_its_exact_instant(tmp_path: Path, silence_s: float, grace_s: float) -> None:
    tables = {"faults": {"signal_lost": {"silence_s": silence_s}}, "intake": {"grace_s": grace_s}}
    with simulated_site(tmp_path / "works", Clocks(NOON), **tables) as site:
        last = work(site, 20)
        rest(site, int(silence_s + grace_s) - 2)
        assert site.alerts() == []
        rest(site, 4)
        (alert,) = site.alerts()
        assert (alert["fault"], alert["onset"]) == (
            "signal_lost",
            instant.text(last + round(silence_s * SECOND)),
        )
        back = work(site, 5) - 4 * SECOND
        (alert,) = site.alerts()
        assert (alert["cleared"], alert["evidence"]) == (
            instant.text(back),
            {"silent_s": (back - last) / SECOND},
        )


def test_calendar_deadlines_are_found_exactly_without_polling_a_parked_hammer(
    tmp_path: Path,
) -> None:
    """It is checked each second only while its detectors may still find something; operating time stands still."""
    day = 86_400
    tables = {"faults": {"upkeep": {"inspection_soon_days": 2.0, "inspection_due_days": 3.0}}}
    with simulated_site(tmp_path / "works", Clocks(NOON), **tables) as site:
        last = work(site, 20)
        first = last - 19 * SECOND
        assert rest(site, 300) < 200
        assert rest(site, 2 * day - 1000, 100) == 0
        assert rest(site, 1000, 100) == 1
        assert rest(site, 2 * day, 100) == 1
        found = {one["fault"]: one for one in site.alerts() if one["fault"] != "signal_lost"}
        onsets = {fault: one["onset"] for fault, one in found.items()}
        assert onsets == {
            "inspection_soon": instant.text(first + 2 * day * SECOND),
            "inspection_due": instant.text(first + 3 * day * SECOND),
        }
        work(site, 30)
        evidence = next(one for one in site.alerts() if one["fault"] == "inspection_due")["evidence"]
        assert evidence["since_inspection_h"] == pytest.approx(29 / 3600, abs=1e-4)


def test_an_event_during_a_long_silence_takes_effect(tmp_path: Path) -> None:
    tables = {"faults": {"grease": {"due_s": 5.0, "overdue_s": 10.0}}}
    with simulated_site(tmp_path / "works", Clocks(NOON), **tables) as site:
        work(site, 20)
        rest(site, 3600, 10)
        greased = site.clocks.true
        site.line.send(
            HAMMER, "events", {"time": instant.text(greased), "event": "grease", "strokes": [12, 12]}
        )
        rest(site, 20)
        (alert,) = (one for one in site.alerts() if one["fault"] == "grease_overdue")
        assert alert["cleared"] == instant.text(greased)


@pytest.mark.parametrize("returns", [True, False], ids=["sends again", "stays silent"])
def test_silence_after_a_restore_counts_from_the_restore_on(tmp_path: Path, returns: bool) -> None:
    """Recordings end 8 h before the restore: what came then is missing here, and says nothing of the hammer."""
    with simulated_site(tmp_path / "works", Clocks(NOON)) as site:
        last = work(site, 20)
        site.clocks.true += 8 * 3600 * SECOND
        restored = site.clocks.true
        site.worker.end_recorded(last, restored, ())
        site.restart()
        rest(site, 25)
        assert site.alerts() == []
        if returns:
            work(site, 20)
            assert site.alerts() == []
            return
        rest(site, 20)
        (alert,) = site.alerts()
        assert (alert["fault"], alert["onset"]) == ("signal_lost", instant.text(restored + 30 * SECOND))
        site.restart()
        rest(site, 300, 10)
        back = work(site, 5) - 4 * SECOND
        (alert,) = site.alerts()
        assert alert["cleared"] == instant.text(back)


def fire_through_a_gap(
    site: SimulatedSite, fired_s: int, *, restart: bool, at_once: bool
) -> list[tuple[str, str]]:
    """Fire for 20 s, send nothing for 12 s, then the rows of the gap, in which it fired on for `fired_s`.

    Return (step, webhook id) of what was delivered of `same_spot`.
    """

    def send(at: int, active: bool) -> None:
        site.line.send(HAMMER, "samples", {"time": instant.text(at), "active": active})

    for _ in range(20):
        site.clocks.true += SECOND
        send(site.clocks.true, True)
        site.turn()
    last = site.clocks.true
    rest(site, 12)
    if restart:
        site.restart()
    for k in range(1, 13):
        send(last + k * SECOND, k < fired_s)
        if not at_once:
            site.turn()
    site.turn()
    for _ in range(5):
        site.clocks.true += SECOND
        send(site.clocks.true, False)
        site.turn()
    of_spot = (
        "select step, message from outbox where body like '%\"same_spot\"%' and state = 'sent' order by seq"
    )
    return [(step, name) for step, name in site.query(of_spot)]


@pytest.mark.parametrize("restart", [False, True], ids=["same process", "restarted"])
@pytest.mark.parametrize("at_once", [False, True], ids=["row by row", "at once"])
def test_an_alert_cleared_in_a_gap_that_was_none_is_raised_again_before_its_next_step(
    tmp_path: Path, restart: bool, at_once: bool
) -> None:
    """Receivers that were sent the clear would otherwise know an active alert as ended."""
    with simulated_site(tmp_path / "works", Clocks(NOON)) as site:
        sent = fire_through_a_gap(site, 12, restart=restart, at_once=at_once)
        assert [step for step, _ in sent] == ["raised", "cleared", "raised", "escalated", "cleared"]
        assert len({name for _, name in sent}) == 5
        (alert,) = site.alerts()
        assert site.office.received[-1][2] == alert


@pytest.mark.parametrize("restart", [False, True], ids=["same process", "restarted"])
@pytest.mark.parametrize("at_once", [False, True], ids=["row by row", "at once"])
def test_a_clear_found_in_a_gap_that_the_rows_confirm_is_delivered_once(
    tmp_path: Path, restart: bool, at_once: bool
) -> None:
    """The rows that confirm it come one by one, the first ones before it; a restart does not shorten the wait."""
    with simulated_site(tmp_path / "works", Clocks(NOON)) as site:
        sent = fire_through_a_gap(site, 2, restart=restart, at_once=at_once)
        assert [step for step, _ in sent] == ["raised", "cleared"]


def test_another_end_than_the_one_found_in_a_gap_is_delivered(tmp_path: Path) -> None:
    with simulated_site(tmp_path / "works", Clocks(NOON)) as site:
        sent = fire_through_a_gap(site, 5, restart=False, at_once=True)
        assert [step for step, _ in sent] == ["raised", "cleared", "cleared"]
        (alert,) = site.alerts()
        assert site.office.received[-1][2] == alert
