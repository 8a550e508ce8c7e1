"""Which notifications are sent, and when: case by case, over a real database."""

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


def test_a_single_alert_is_sent_at_once(make: Make) -> None:
    scene = make()
    alert = scene.raise_()
    scene.escalate(alert)
    scene.clear(alert)
    assert scene.sent_in_short() == ["raised 0", "escalated 0", "cleared 0"]
    assert scene.state(alert) == "returned_unacknowledged"


def test_an_on_delay_holds_back_an_alert_that_clears_sooner(make: Make) -> None:
    """Cleared within its delay: never sent. Still active: sent after it. An escalation to high does not wait."""
    scene = make(delay_s={"same_spot": 30.0})
    short, long, grave = scene.raise_(), scene.raise_("HB-02"), scene.raise_("HB-03")
    scene.wait(10)
    scene.clear(short)
    scene.escalate(grave)
    assert scene.sent_in_short() == ["raised 2"]
    scene.wait(19.9)
    assert scene.sent_in_short() == ["raised 2"]
    scene.wait(0.1)
    scene.clear(long)
    assert scene.sent_in_short() == ["raised 2", "raised 1", "cleared 1"]
    assert [row["told"] for row in scene.rows()] == ["", "alone", "alone"]


def test_an_on_delay_counts_active_time_not_the_time_of_arrival(make: Make) -> None:
    """Both sides of the limit, in a backlog in which raise and clear arrive together."""
    scene = make(delay_s={"same_spot": 30.0})
    below, at = scene.raise_(ago_s=4000), scene.raise_("HB-02", ago_s=4000)
    scene.clear(below, 29.999)
    scene.clear(at, 30.0)
    scene.wait(MINUTE)
    assert scene.sent_in_short() == ["raised 1", "cleared 1"]


def test_after_the_clock_was_set_back_nothing_waits_longer_than_its_delay(make: Make) -> None:
    """What waits for a time further off than anything ever waits is sent at once: a delayed alert and a digest."""
    scene = make(delay_s={"hot_oil": 30.0})
    for _ in range(4):
        scene.clear(scene.raise_())
        scene.wait(5)
    scene.raise_("HB-02", "hot_oil")
    told = len(scene.sent())
    scene.now -= HOUR_NS
    scene.wait(0)
    assert scene.sent_in_short()[told:] == ["raised 4", "digest 2 3"]


def test_chattering_is_sent_twice_and_then_as_one_digest_with_a_count(make: Make) -> None:
    scene = make()
    for _ in range(7):
        scene.clear(scene.raise_())
        scene.wait(15)
    other = scene.raise_(fault="hot_oil")
    assert scene.sent_in_short() == ["raised 0", "cleared 0", "raised 1", "cleared 1", "raised 7"]
    scene.wait(54.9)
    assert len(scene.sent()) == 5
    scene.wait(0.1)  # a minute after the last, and 10 s for late alerts
    assert scene.sent_in_short()[5:] == ["digest 2 3 4 5 6"]
    body = scene.sent()[-1][1]
    assert (body["kind"], body["hammer"], body["fault"], body["count"]) == (
        "chattering",
        "HB-01",
        "same_spot",
        5,
    )
    assert body["summary"].startswith("Chattering: 5 alerts of same_spot at HB-01 from ")
    scene.clear(other)
    assert scene.sent_in_short()[6:] == ["cleared 7"]
    scene.wait(3600)
    assert len(scene.sent()) == 7


def test_a_flood_is_one_digest_and_high_priority_is_sent_alone(make: Make) -> None:
    scene = make()
    hammers = ["HB-01", "HB-02", "HB-03"]
    for n in range(14):
        alert = scene.raise_(hammers[n % 3], f"fault_{n}")
        scene.clear(alert) if n != 13 else None
        scene.wait(20)
    high = scene.raise_("HB-02", "blank_firing", "high")
    assert scene.sent_in_short()[-3:] == ["raised 9", "cleared 9", "raised 14"]
    scene.wait(20 * MINUTE)
    assert scene.sent_in_short()[21:] == ["digest 10 11 12 13"]
    digest = scene.sent()[-1][1]
    assert (digest["kind"], digest["site"], digest["hammer"], digest["count"]) == (
        "flood",
        "fennick-hollow",
        None,
        4,
    )
    assert digest["alerts"][-1]["cleared"] is None
    # its clear is sent in a digest too, because no raised was sent on its own
    scene.clear(scene.raised[13])
    scene.clear(high)
    scene.wait(10)
    assert scene.sent_in_short()[22:] == ["cleared 14", "digest 13"]
    assert scene.sent()[-1][1]["number"] == 2
    assert scene.sent()[-1][1]["id"] == digest["id"]


def test_an_alert_held_for_a_digest_is_sent_at_once_when_it_escalates(make: Make) -> None:
    scene = make()
    for n in range(12):
        scene.raise_(fault=f"fault_{n}")
    scene.escalate(scene.raised[10])
    assert scene.sent_in_short()[10:] == ["raised 10"]
    assert scene.sent()[-1][1]["priority"] == "high"
    scene.wait(20 * MINUTE)
    scene.clear(scene.raised[10])
    assert scene.sent_in_short()[11:] == ["digest 11", "cleared 10"]
    scene.escalate(scene.raised[11])  # sent in the digest, and now high
    scene.clear(scene.raised[11])
    assert scene.sent_in_short()[13:] == ["raised 11", "cleared 11"]


def test_a_long_flood_is_reported_every_ten_minutes(make: Make) -> None:
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


def test_a_backlog_of_hours_is_no_flood_now(make: Make) -> None:
    """40 alerts, one in 10 min for hours, arrive together; each of them and a live one are sent at once."""
    scene = make()
    for n in range(40):
        scene.clear(scene.raise_(ago_s=30_000 - n * 600), after_s=20)
    scene.raise_("HB-02")
    assert len(scene.sent()) == 81
    assert {step for step, _ in scene.sent()} == {"raised", "cleared"}


def test_a_flood_in_a_backlog_holds_no_current_alert(make: Make) -> None:
    """15 within minutes, hours ago: their digest waits for late alerts; the current alert is sent at once."""
    scene = make()
    for n in range(15):
        scene.clear(scene.raise_(fault=f"fault_{n}", ago_s=30_000 - n * 20), after_s=5)
    scene.raise_("HB-02")
    assert scene.sent_in_short()[20:] == ["raised 15"]
    scene.wait(9)
    late = scene.raise_("HB-03", "late", ago_s=30_000 - 210)
    scene.clear(late, 5)
    scene.wait(9)
    assert len(scene.sent()) == 21
    scene.wait(1)
    assert scene.sent_in_short()[21:] == ["digest 10 16 11 12 13 14"]


def test_an_alert_withdrawn_while_held_is_never_sent(make: Make) -> None:
    scene = make(delay_s={"late": 60.0})
    for n in range(12):
        scene.raise_(fault=f"fault_{n}")
    waiting = scene.raise_("HB-02", "late")
    scene.clear(waiting, 600, withdrawn=True)
    scene.clear(scene.raised[11], withdrawn=True)
    scene.clear(scene.raised[0], withdrawn=True)
    scene.wait(20 * MINUTE)
    assert scene.sent_in_short()[10:] == ["cleared 0", "digest 10"]


def test_shelving_covers_active_and_new_alerts_until_it_ends(make: Make) -> None:
    scene = make()
    alert, end = scene.raise_(), scene.now + HOUR_NS
    scene.desk.shelve(alert.id[:6], until=end, by="manager", reason="trial of a tool", now=scene.now)
    scene.clear(alert)
    again, third = scene.raise_(), scene.raise_(fault="hot_oil")
    scene.wait(1800)
    later = scene.raise_()
    scene.clear(later)
    assert scene.sent_in_short() == ["raised 0", "cleared 0", "raised 2"]
    assert [scene.state(one) for one in (alert, again, third, later)] == [
        "normal",
        "shelved",
        "unacknowledged",
        "normal",
    ]
    scene.wait((end - scene.now) / SECOND - 0.1)
    assert len(scene.sent()) == 3
    scene.wait(0.1)
    assert scene.sent_in_short()[3:] == ["raised 1"]
    assert scene.state(again) == "unacknowledged"
    scene.clear(scene.raise_())
    assert scene.sent_in_short()[4:] == ["raised 4", "cleared 4"]
    assert [line["event"] for line in scene.desk.history(again.id)] == ["raised", "shelve", "shelf_ended"]


def test_shelving_at_medium_priority_does_not_cover_high(make: Make) -> None:
    scene = make()
    known = scene.raise_()
    scene.desk.shelve(known.id, until=scene.now + HOUR_NS, by="manager", reason="soft ground", now=scene.now)
    new = scene.raise_()
    scene.escalate(known)
    scene.escalate(new)
    assert scene.sent_in_short() == ["raised 0", "escalated 0", "raised 1"]
    scene.desk.shelve(new.id, until=scene.now + HOUR_NS, by="manager", reason="seen it", now=scene.now)
    scene.wait(1)
    high = scene.raise_(priority="high")
    assert len(scene.sent()) == 3
    scene.desk.unshelve(high.id, by="manager", now=scene.now)
    scene.wait(1)
    assert scene.sent_in_short()[3:] == ["raised 2"]


def test_an_escalation_during_shelving_is_sent_when_it_ends(make: Make) -> None:
    scene = make()
    high = scene.raise_(priority="high")
    scene.wait(7200)
    alert = scene.raise_()
    scene.desk.shelve(high.id, until=scene.now + HOUR_NS, by="manager", reason="known", now=scene.now)
    assert scene.state(alert) == "shelved"
    scene.escalate(alert)
    scene.clear(high)
    scene.wait(3600)
    assert scene.sent_in_short()[1:] == ["raised 1", "cleared 0", "escalated 1"]


def test_a_hammer_out_of_service_sends_nothing_until_it_is_back(make: Make) -> None:
    scene = make()
    before = scene.raise_()
    scene.desk.out_of_service("HB-01", by="fitter", reason="new seals", now=scene.now)
    during, other = scene.raise_(fault="cold_oil"), scene.raise_("HB-02")
    for n in range(30):
        scene.clear(scene.raise_(fault=f"trial_{n}"))
    assert scene.sent_in_short() == ["raised 0", "raised 2"]
    assert [scene.state(one) for one in (before, during, other)] == ["out_of_service"] * 2 + [
        "unacknowledged"
    ]
    scene.wait(5 * 3600)
    scene.desk.in_service("HB-01", by="fitter", now=scene.now)
    scene.clear(before)
    scene.wait(1)
    assert scene.sent_in_short()[2:] == ["cleared 0", "raised 1"]


def test_out_of_service_may_expire_before_shelving_ends(make: Make) -> None:
    scene = make()
    alert = scene.raise_()
    scene.desk.shelve(alert.id, until=scene.now + 3 * HOUR_NS, by="manager", reason="known", now=scene.now)
    scene.desk.out_of_service("HB-01", by="fitter", reason="hose", until=scene.now + HOUR_NS, now=scene.now)
    fresh = scene.raise_(fault="hot_oil")
    scene.wait(3600)
    assert (scene.state(alert), scene.state(fresh)) == ("shelved", "unacknowledged")
    assert scene.sent_in_short() == ["raised 0", "raised 1"]
    scene.wait(7200)
    assert scene.state(alert) == "unacknowledged"
    assert len(scene.sent()) == 2  # it had been sent before, and has not escalated


def test_suppressed_by_design_is_stored_and_never_sent_until_the_settings_change(make: Make) -> None:
    scene = make(suppressed=("cold_oil",))
    alert = scene.raise_(fault="cold_oil")
    scene.wait(3600)
    assert (scene.sent_in_short(), scene.state(alert)) == ([], "suppressed_by_design")
    scene.alarms = scene.alarms.model_copy(update={"suppressed": ()})
    scene.restart()
    scene.wait(1)
    assert (scene.sent_in_short(), scene.state(alert)) == (["raised 0"], "unacknowledged")


def test_an_alert_whose_clear_is_withdrawn_is_active_again(make: Make) -> None:
    """The tracker corrects its record when late rows refute a look-ahead; that is not sent."""
    scene = make()
    alert = scene.raise_()
    scene.clear(alert, provisional=2)
    assert scene.state(alert) == "returned_unacknowledged"
    alert.cleared = None
    scene.commit(scene.change("raised", alert, deliver=False))
    assert (scene.state(alert), scene.sent_in_short()) == ("unacknowledged", ["raised 0", "cleared 0"])
    scene.now += SECOND
    scene.clear(alert)
    assert scene.sent_in_short() == ["raised 0", "cleared 0", "cleared 0"]


def test_an_alert_suppressed_while_held_for_a_digest_is_left_out(make: Make) -> None:
    scene = make()
    for n in range(13):
        scene.raise_("HB-02" if n == 11 else "HB-01", f"fault_{n}")
    held = scene.raised[10]
    scene.desk.shelve(held.id, until=scene.now + HOUR_NS, by="manager", reason="known", now=scene.now)
    scene.desk.out_of_service("HB-02", by="fitter", reason="seals", now=scene.now)
    scene.wait(30 * MINUTE)
    assert scene.sent_in_short()[10:] == ["digest 12"]
    scene.wait(30 * MINUTE)
    scene.wait(10)  # its onset lies in that flood, so its digest carries it
    assert scene.sent_in_short()[11:] == ["digest 10"]
