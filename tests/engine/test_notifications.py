"""What is told and what is not, case by case, over the real database."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from strikewatch.core.instant import SECOND
from tests.engine.scene import HOUR_NS, MINUTE, Scene

Make = Callable[..., Scene]


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Make]:
    made: list[Scene] = []

    def one(**alarms: Any) -> Scene:
        made.append(Scene(tmp_path, **alarms))
        return made[-1]

    yield one
    for scene in made:
        scene.close()


def test_an_alert_alone_is_told_as_it_comes(make: Make) -> None:
    scene = make()
    alert = scene.raise_()
    scene.escalate(alert)
    scene.clear(alert)
    assert scene.said() == ["raised 0", "escalated 0", "cleared 0"]
    assert scene.state(alert) == "returned_unacknowledged"


def test_a_delay_keeps_back_what_is_soon_over(make: Make) -> None:
    """Over before its delay: never told. Standing on: told when it has passed. What turns high does not wait."""
    scene = make(delay_s={"same_spot": 30.0})
    short, long, grave = scene.raise_(), scene.raise_("HB-02"), scene.raise_("HB-03")
    scene.wait(10)
    scene.clear(short)
    scene.escalate(grave)
    assert scene.said() == ["raised 2"]
    scene.wait(19.9)
    assert scene.said() == ["raised 2"]
    scene.wait(0.1)
    scene.clear(long)
    assert scene.said() == ["raised 2", "raised 1", "cleared 1"]
    assert [row["told"] for row in scene.rows()] == ["", "alone", "alone"]


def test_a_delay_goes_by_how_long_it_stood_not_by_when_it_came(make: Make) -> None:
    """Both sides of the limit, out of a backlog in which raising and clearing come at once."""
    scene = make(delay_s={"same_spot": 30.0})
    below, at = scene.raise_(ago_s=4000), scene.raise_("HB-02", ago_s=4000)
    scene.clear(below, 29.999)
    scene.clear(at, 30.0)
    scene.wait(MINUTE)
    assert scene.said() == ["raised 1", "cleared 1"]


def test_a_clock_set_back_keeps_nothing_waiting_for_what_it_was_ahead(make: Make) -> None:
    """What waits for a time further off than anything ever waits is told at once: a delay as well as a digest."""
    scene = make(delay_s={"hot_oil": 30.0})
    for _ in range(4):
        scene.clear(scene.raise_())
        scene.wait(5)
    scene.raise_("HB-02", "hot_oil")
    told = len(scene.sent())
    scene.now -= HOUR_NS
    scene.wait(0)
    assert scene.said()[told:] == ["raised 4", "digest 2 3"]


def test_chattering_is_told_twice_and_then_once_with_a_count(make: Make) -> None:
    scene = make()
    for _ in range(7):
        scene.clear(scene.raise_())
        scene.wait(15)
    other = scene.raise_(fault="hot_oil")
    assert scene.said() == ["raised 0", "cleared 0", "raised 1", "cleared 1", "raised 7"]
    scene.wait(54.9)
    assert len(scene.sent()) == 5
    scene.wait(0.1)  # a minute after the last, and 10 s for stragglers
    assert scene.said()[5:] == ["digest 2 3 4 5 6"]
    body = scene.sent()[-1][1]
    assert (body["kind"], body["hammer"], body["fault"], body["count"]) == (
        "chattering",
        "HB-01",
        "same_spot",
        5,
    )
    assert body["summary"].startswith("Chattering: 5 alerts of same_spot at HB-01 from ")
    scene.clear(other)
    assert scene.said()[6:] == ["cleared 7"]
    scene.wait(3600)
    assert len(scene.sent()) == 7


def test_a_flood_is_one_digest_and_what_is_high_goes_alone(make: Make) -> None:
    scene = make()
    hammers = ["HB-01", "HB-02", "HB-03"]
    for n in range(14):
        alert = scene.raise_(hammers[n % 3], f"fault_{n}")
        scene.clear(alert) if n != 13 else None
        scene.wait(20)
    high = scene.raise_("HB-02", "blank_firing", "high")
    assert scene.said()[-3:] == ["raised 9", "cleared 9", "raised 14"]
    scene.wait(20 * MINUTE)
    assert scene.said()[21:] == ["digest 10 11 12 13"]
    digest = scene.sent()[-1][1]
    assert (digest["kind"], digest["site"], digest["hammer"], digest["count"]) == (
        "flood",
        "fennick-hollow",
        None,
        4,
    )
    assert digest["alerts"][-1]["cleared"] is None
    # what it told as standing is told as over the same way, since no raised went before
    scene.clear(scene.raised[13])
    scene.clear(high)
    scene.wait(10)
    assert scene.said()[22:] == ["cleared 14", "digest 13"]
    assert scene.sent()[-1][1]["number"] == 2
    assert scene.sent()[-1][1]["id"] == digest["id"]


def test_what_a_digest_holds_and_turns_high_comes_out_of_it(make: Make) -> None:
    scene = make()
    for n in range(12):
        scene.raise_(fault=f"fault_{n}")
    scene.escalate(scene.raised[10])
    assert scene.said()[10:] == ["raised 10"]
    assert scene.sent()[-1][1]["priority"] == "high"
    scene.wait(20 * MINUTE)
    scene.clear(scene.raised[10])
    assert scene.said()[11:] == ["digest 11", "cleared 10"]
    scene.escalate(scene.raised[11])  # told by the digest, and now grave
    scene.clear(scene.raised[11])
    assert scene.said()[13:] == ["raised 11", "cleared 11"]


def test_a_long_flood_is_told_every_ten_minutes(make: Make) -> None:
    scene = make()
    for n in range(150):
        scene.clear(scene.raise_(fault=f"fault_{n}"))
        scene.wait(20)
    digests = [body for step, body in scene.sent() if step == "digest"]
    assert len(digests) == 4
    assert [body["number"] for body in digests] == [1, 2, 3, 4]
    assert all(body["until"] is None and body["count"] == 30 for body in digests)
    scene.wait(3600)
    last = scene.sent()[-1][1]
    assert (last["number"], last["count"], last["until"] is not None) == (5, 150 - 10 - 4 * 30, True)


def test_hours_of_backlog_in_one_burst_are_no_flood_of_the_present(make: Make) -> None:
    """40 alerts, one in 10 min for hours, come at once; meanwhile a live one is told at once, and each of them too."""
    scene = make()
    for n in range(40):
        scene.clear(scene.raise_(ago_s=30_000 - n * 600), after_s=20)
    scene.raise_("HB-02")
    assert len(scene.sent()) == 81
    assert {step for step, _ in scene.sent()} == {"raised", "cleared"}


def test_a_flood_of_long_ago_holds_nothing_of_today(make: Make) -> None:
    """15 within minutes, hours ago: their digest comes when stragglers have had their time, today's alert at once."""
    scene = make()
    for n in range(15):
        scene.clear(scene.raise_(fault=f"fault_{n}", ago_s=30_000 - n * 20), after_s=5)
    scene.raise_("HB-02")
    assert scene.said()[20:] == ["raised 15"]
    scene.wait(9)
    late = scene.raise_("HB-03", "late", ago_s=30_000 - 210)
    scene.clear(late, 5)
    scene.wait(9)
    assert len(scene.sent()) == 21
    scene.wait(1)
    assert scene.said()[21:] == ["digest 10 16 11 12 13 14"]


def test_what_is_withdrawn_while_held_is_never_told(make: Make) -> None:
    scene = make(delay_s={"late": 60.0})
    for n in range(12):
        scene.raise_(fault=f"fault_{n}")
    waiting = scene.raise_("HB-02", "late")
    scene.clear(waiting, 600, withdrawn=True)
    scene.clear(scene.raised[11], withdrawn=True)
    scene.clear(scene.raised[0], withdrawn=True)
    scene.wait(20 * MINUTE)
    assert scene.said()[10:] == ["cleared 0", "digest 10"]


def test_a_shelf_holds_what_stands_and_what_comes_until_its_end(make: Make) -> None:
    scene = make()
    alert, end = scene.raise_(), scene.now + HOUR_NS
    scene.desk.shelve(alert.id[:6], until=end, by="manager", reason="trial of a tool", now=scene.now)
    scene.clear(alert)
    again, third = scene.raise_(), scene.raise_(fault="hot_oil")
    scene.wait(1800)
    later = scene.raise_()
    scene.clear(later)
    assert scene.said() == ["raised 0", "cleared 0", "raised 2"]
    assert [scene.state(one) for one in (alert, again, third, later)] == [
        "normal",
        "shelved",
        "unacknowledged",
        "normal",
    ]
    scene.wait((end - scene.now) / SECOND - 0.1)
    assert len(scene.sent()) == 3
    scene.wait(0.1)
    assert scene.said()[3:] == ["raised 1"]
    assert scene.state(again) == "unacknowledged"
    scene.clear(scene.raise_())
    assert scene.said()[4:] == ["raised 4", "cleared 4"]
    assert [line["event"] for line in scene.desk.history(again.id)] == ["raised", "shelve", "shelf_ended"]


def test_a_shelf_made_for_medium_lets_high_through(make: Make) -> None:
    scene = make()
    known = scene.raise_()
    scene.desk.shelve(known.id, until=scene.now + HOUR_NS, by="manager", reason="soft ground", now=scene.now)
    new = scene.raise_()
    scene.escalate(known)
    scene.escalate(new)
    assert scene.said() == ["raised 0", "escalated 0", "raised 1"]
    scene.desk.shelve(new.id, until=scene.now + HOUR_NS, by="manager", reason="seen it", now=scene.now)
    scene.wait(1)
    high = scene.raise_(priority="high")
    assert len(scene.sent()) == 3
    scene.desk.unshelve(high.id, by="manager", now=scene.now)
    scene.wait(1)
    assert scene.said()[3:] == ["raised 2"]


def test_a_shelf_that_hid_an_escalation_tells_it_at_its_end(make: Make) -> None:
    scene = make()
    high = scene.raise_(priority="high")
    scene.wait(7200)
    alert = scene.raise_()
    scene.desk.shelve(high.id, until=scene.now + HOUR_NS, by="manager", reason="known", now=scene.now)
    assert scene.state(alert) == "shelved"
    scene.escalate(alert)
    scene.clear(high)
    scene.wait(3600)
    assert scene.said()[1:] == ["raised 1", "cleared 0", "escalated 1"]


def test_a_hammer_in_the_workshop_tells_nothing_until_it_is_back(make: Make) -> None:
    scene = make()
    before = scene.raise_()
    scene.desk.out_of_service("HB-01", by="fitter", reason="new seals", now=scene.now)
    during, other = scene.raise_(fault="cold_oil"), scene.raise_("HB-02")
    for n in range(30):
        scene.clear(scene.raise_(fault=f"trial_{n}"))
    assert scene.said() == ["raised 0", "raised 2"]
    assert [scene.state(one) for one in (before, during, other)] == ["out_of_service"] * 2 + [
        "unacknowledged"
    ]
    scene.wait(5 * 3600)
    scene.desk.in_service("HB-01", by="fitter", now=scene.now)
    scene.clear(before)
    scene.wait(1)
    assert scene.said()[2:] == ["cleared 0", "raised 1"]


def test_a_stay_may_end_by_itself_and_a_shelf_outlasts_it(make: Make) -> None:
    scene = make()
    alert = scene.raise_()
    scene.desk.shelve(alert.id, until=scene.now + 3 * HOUR_NS, by="manager", reason="known", now=scene.now)
    scene.desk.out_of_service("HB-01", by="fitter", reason="hose", until=scene.now + HOUR_NS, now=scene.now)
    fresh = scene.raise_(fault="hot_oil")
    scene.wait(3600)
    assert (scene.state(alert), scene.state(fresh)) == ("shelved", "unacknowledged")
    assert scene.said() == ["raised 0", "raised 1"]
    scene.wait(7200)
    assert scene.state(alert) == "unacknowledged"
    assert len(scene.sent()) == 2  # it had been told before, and has not grown


def test_suppressed_by_design_is_stored_and_never_told_until_the_settings_change(make: Make) -> None:
    scene = make(suppressed=("cold_oil",))
    alert = scene.raise_(fault="cold_oil")
    scene.wait(3600)
    assert (scene.said(), scene.state(alert)) == ([], "suppressed_by_design")
    scene.alarms = scene.alarms.model_copy(update={"suppressed": ()})
    scene.restart()
    scene.wait(1)
    assert (scene.said(), scene.state(alert)) == (["raised 0"], "unacknowledged")


def test_a_clearing_taken_back_stands_again(make: Make) -> None:
    """The ledger corrects its record when late rows refute what silence had suggested; that is no news."""
    scene = make()
    alert = scene.raise_()
    scene.clear(alert, provisional=2)
    assert scene.state(alert) == "returned_unacknowledged"
    alert.cleared = None
    scene.commit(scene.change("raised", alert, deliver=False))
    assert (scene.state(alert), scene.said()) == ("unacknowledged", ["raised 0", "cleared 0"])
    scene.now += SECOND
    scene.clear(alert)
    assert scene.said() == ["raised 0", "cleared 0", "cleared 0"]


def test_what_is_put_aside_while_a_digest_holds_it_is_in_none(make: Make) -> None:
    scene = make()
    for n in range(13):
        scene.raise_("HB-02" if n == 11 else "HB-01", f"fault_{n}")
    held = scene.raised[10]
    scene.desk.shelve(held.id, until=scene.now + HOUR_NS, by="manager", reason="known", now=scene.now)
    scene.desk.out_of_service("HB-02", by="fitter", reason="seals", now=scene.now)
    scene.wait(30 * MINUTE)
    assert scene.said()[10:] == ["digest 12"]
    scene.wait(30 * MINUTE)
    scene.wait(10)  # its onset lies in that flood, so it is told as one of it
    assert scene.said()[11:] == ["digest 10"]
