"""Which notifications are sent, and when, with a real database."""

from collections.abc import Callable

from strikewatch.core.instant import SECOND
from tests.engine.scenario import HOUR_NS, MINUTE, AlertScenario

Make = Callable[..., AlertScenario]


def test_a_single_alert_is_sent_at_once(make: Make) -> None:
    scenario = make()
    alert = scenario.raise_()
    scenario.escalate(alert)
    scenario.clear(alert)
    assert scenario.sent_briefly() == ["raised 0", "escalated 0", "cleared 0"]
    assert scenario.state(alert) == "returned_unacknowledged"


def test_an_on_delay_holds_back_an_alert_that_clears_sooner(make: Make) -> None:
    """Cleared within its delay: never sent. Still active: sent after it. An escalation to high does not wait."""
    scenario = make(delay_s={"same_spot": 30.0})
    short, long, escalated = scenario.raise_(), scenario.raise_("HB-02"), scenario.raise_("HB-03")
    scenario.wait(10)
    scenario.clear(short)
    scenario.escalate(escalated)
    assert scenario.sent_briefly() == ["raised 2"]
    scenario.wait(19.9)
    assert scenario.sent_briefly() == ["raised 2"]
    scenario.wait(0.1)
    scenario.clear(long)
    assert scenario.sent_briefly() == ["raised 2", "raised 1", "cleared 1"]
    assert [row["sent_as"] for row in scenario.rows()] == ["", "alone", "alone"]


def test_an_on_delay_counts_active_time_not_the_time_of_arrival(make: Make) -> None:
    """Both sides of the limit, in a backlog in which raise and clear arrive together."""
    scenario = make(delay_s={"same_spot": 30.0})
    below, at_limit = scenario.raise_(ago_s=4000), scenario.raise_("HB-02", ago_s=4000)
    scenario.clear(below, 29.999)
    scenario.clear(at_limit, 30.0)
    scenario.wait(MINUTE)
    assert scenario.sent_briefly() == ["raised 1", "cleared 1"]


def test_after_the_clock_was_set_back_nothing_waits_longer_than_its_delay(make: Make) -> None:
    """A delayed alert and a digest that are due later than any delay allows are sent at once."""
    scenario = make(delay_s={"hot_oil": 30.0})
    for _ in range(4):
        scenario.clear(scenario.raise_())
        scenario.wait(5)
    scenario.raise_("HB-02", "hot_oil")
    sent_before = len(scenario.sent())
    scenario.now -= HOUR_NS
    scenario.wait(0)
    assert scenario.sent_briefly()[sent_before:] == ["raised 4", "digest 2 3"]


def test_chattering_is_sent_twice_and_then_as_one_digest_with_a_count(make: Make) -> None:
    scenario = make()
    for _ in range(7):
        scenario.clear(scenario.raise_())
        scenario.wait(15)
    other = scenario.raise_(fault="hot_oil")
    assert scenario.sent_briefly() == ["raised 0", "cleared 0", "raised 1", "cleared 1", "raised 7"]
    scenario.wait(54.9)
    assert len(scenario.sent()) == 5
    scenario.wait(0.1)  # a minute after the last one, and 10 s for late alerts
    assert scenario.sent_briefly()[5:] == ["digest 2 3 4 5 6"]
    body = scenario.sent()[-1][1]
    assert (body["kind"], body["hammer"], body["fault"], body["count"]) == (
        "chattering",
        "HB-01",
        "same_spot",
        5,
    )
    assert body["summary"].startswith("Chattering: 5 alerts of same_spot at HB-01 from ")
    scenario.clear(other)
    assert scenario.sent_briefly()[6:] == ["cleared 7"]
    scenario.wait(3600)
    assert len(scenario.sent()) == 7


def test_a_flood_is_one_digest_and_high_priority_is_sent_alone(make: Make) -> None:
    scenario = make()
    hammers = ["HB-01", "HB-02", "HB-03"]
    for n in range(14):
        alert = scenario.raise_(hammers[n % 3], f"fault_{n}")
        scenario.clear(alert) if n != 13 else None
        scenario.wait(20)
    high = scenario.raise_("HB-02", "blank_firing", "high")
    assert scenario.sent_briefly()[-3:] == ["raised 9", "cleared 9", "raised 14"]
    scenario.wait(20 * MINUTE)
    assert scenario.sent_briefly()[21:] == ["digest 10 11 12 13"]
    digest = scenario.sent()[-1][1]
    assert (digest["kind"], digest["site"], digest["hammer"], digest["count"]) == (
        "flood",
        "fennick-hollow",
        None,
        4,
    )
    assert digest["alerts"][-1]["cleared"] is None
    # its clear is sent in a digest too, because no raised was sent on its own
    scenario.clear(scenario.raised[13])
    scenario.clear(high)
    scenario.wait(10)
    assert scenario.sent_briefly()[22:] == ["cleared 14", "digest 13"]
    assert scenario.sent()[-1][1]["number"] == 2
    assert scenario.sent()[-1][1]["id"] == digest["id"]


def test_an_alert_held_for_a_digest_is_sent_at_once_when_it_escalates(make: Make) -> None:
    scenario = make()
    for n in range(12):
        scenario.raise_(fault=f"fault_{n}")
    scenario.escalate(scenario.raised[10])
    assert scenario.sent_briefly()[10:] == ["raised 10"]
    assert scenario.sent()[-1][1]["priority"] == "high"
    scenario.wait(20 * MINUTE)
    scenario.clear(scenario.raised[10])
    assert scenario.sent_briefly()[11:] == ["digest 11", "cleared 10"]
    scenario.escalate(scenario.raised[11])  # sent in the digest, and now high
    scenario.clear(scenario.raised[11])
    assert scenario.sent_briefly()[13:] == ["raised 11", "cleared 11"]


def test_a_long_flood_is_reported_every_ten_minutes(make: Make) -> None:
    scenario = make()
    for n in range(150):
        scenario.clear(scenario.raise_(fault=f"fault_{n}"))
        scenario.wait(20)
    digests = [body for step, body in scenario.sent() if step == "digest"]
    assert len(digests) == 4
    assert [body["number"] for body in digests] == [1, 2, 3, 4]
    assert all(body["until"] is None and body["count"] == 30 for body in digests)
    scenario.wait(3600)
    last = scenario.sent()[-1][1]
    assert (last["number"], last["count"], last["until"] is not None) == (5, 150 - 10 - 4 * 30, True)


def test_a_backlog_of_hours_is_not_a_flood(make: Make) -> None:
    """40 alerts, one in 10 min for hours, arrive together; each of them and a live one are sent at once."""
    scenario = make()
    for n in range(40):
        scenario.clear(scenario.raise_(ago_s=30_000 - n * 600), after_s=20)
    scenario.raise_("HB-02")
    assert len(scenario.sent()) == 81
    assert {step for step, _ in scenario.sent()} == {"raised", "cleared"}


def test_a_flood_in_a_backlog_holds_no_current_alert(make: Make) -> None:
    """15 within minutes, hours ago: their digest waits for late alerts; the current alert is sent at once."""
    scenario = make()
    for n in range(15):
        scenario.clear(scenario.raise_(fault=f"fault_{n}", ago_s=30_000 - n * 20), after_s=5)
    scenario.raise_("HB-02")
    assert scenario.sent_briefly()[20:] == ["raised 15"]
    scenario.wait(9)
    late = scenario.raise_("HB-03", "late", ago_s=30_000 - 210)
    scenario.clear(late, 5)
    scenario.wait(9)
    assert len(scenario.sent()) == 21
    scenario.wait(1)
    assert scenario.sent_briefly()[21:] == ["digest 10 16 11 12 13 14"]


def test_an_alert_withdrawn_while_held_is_never_sent(make: Make) -> None:
    scenario = make(delay_s={"late": 60.0})
    for n in range(12):
        scenario.raise_(fault=f"fault_{n}")
    waiting = scenario.raise_("HB-02", "late")
    scenario.clear(waiting, 600, withdrawn=True)
    scenario.clear(scenario.raised[11], withdrawn=True)
    scenario.clear(scenario.raised[0], withdrawn=True)
    scenario.wait(20 * MINUTE)
    assert scenario.sent_briefly()[10:] == ["cleared 0", "digest 10"]


def test_shelving_covers_active_and_new_alerts_until_it_ends(make: Make) -> None:
    scenario = make()
    alert, end = scenario.raise_(), scenario.now + HOUR_NS
    scenario.actions.shelve(alert.id[:6], until=end, by="manager", reason="trial of a tool", now=scenario.now)
    scenario.clear(alert)
    again, third = scenario.raise_(), scenario.raise_(fault="hot_oil")
    scenario.wait(1800)
    later = scenario.raise_()
    scenario.clear(later)
    assert scenario.sent_briefly() == ["raised 0", "cleared 0", "raised 2"]
    assert [scenario.state(a) for a in (alert, again, third, later)] == [
        "normal",
        "shelved",
        "unacknowledged",
        "normal",
    ]
    scenario.wait((end - scenario.now) / SECOND - 0.1)
    assert len(scenario.sent()) == 3
    scenario.wait(0.1)
    assert scenario.sent_briefly()[3:] == ["raised 1"]
    assert scenario.state(again) == "unacknowledged"
    scenario.clear(scenario.raise_())
    assert scenario.sent_briefly()[4:] == ["raised 4", "cleared 4"]
    assert [line["event"] for line in scenario.actions.history(again.id)] == [
        "raised",
        "shelve",
        "shelf_ended",
    ]


def test_shelving_at_medium_priority_does_not_cover_high(make: Make) -> None:
    scenario = make()
    known = scenario.raise_()
    scenario.actions.shelve(
        known.id, until=scenario.now + HOUR_NS, by="manager", reason="soft ground", now=scenario.now
    )
    new = scenario.raise_()
    scenario.escalate(known)
    scenario.escalate(new)
    assert scenario.sent_briefly() == ["raised 0", "escalated 0", "raised 1"]
    scenario.actions.shelve(
        new.id, until=scenario.now + HOUR_NS, by="manager", reason="seen it", now=scenario.now
    )
    scenario.wait(1)
    high = scenario.raise_(priority="high")
    assert len(scenario.sent()) == 3
    scenario.actions.unshelve(high.id, by="manager", now=scenario.now)
    scenario.wait(1)
    assert scenario.sent_briefly()[3:] == ["raised 2"]


def test_an_escalation_during_shelving_is_sent_when_it_ends(make: Make) -> None:
    scenario = make()
    high = scenario.raise_(priority="high")
    scenario.wait(7200)
    alert = scenario.raise_()
    scenario.actions.shelve(
        high.id, until=scenario.now + HOUR_NS, by="manager", reason="known", now=scenario.now
    )
    assert scenario.state(alert) == "shelved"
    scenario.escalate(alert)
    scenario.clear(high)
    scenario.wait(3600)
    assert scenario.sent_briefly()[1:] == ["raised 1", "cleared 0", "escalated 1"]


def test_a_hammer_out_of_service_sends_nothing_until_it_is_back(make: Make) -> None:
    scenario = make()
    before = scenario.raise_()
    scenario.actions.out_of_service("HB-01", by="fitter", reason="new seals", now=scenario.now)
    during, other = scenario.raise_(fault="cold_oil"), scenario.raise_("HB-02")
    for n in range(30):
        scenario.clear(scenario.raise_(fault=f"trial_{n}"))
    assert scenario.sent_briefly() == ["raised 0", "raised 2"]
    assert [scenario.state(a) for a in (before, during, other)] == ["out_of_service"] * 2 + ["unacknowledged"]
    scenario.wait(5 * 3600)
    scenario.actions.in_service("HB-01", by="fitter", now=scenario.now)
    scenario.clear(before)
    scenario.wait(1)
    assert scenario.sent_briefly()[2:] == ["cleared 0", "raised 1"]


def test_out_of_service_may_expire_before_shelving_ends(make: Make) -> None:
    scenario = make()
    alert = scenario.raise_()
    scenario.actions.shelve(
        alert.id, until=scenario.now + 3 * HOUR_NS, by="manager", reason="known", now=scenario.now
    )
    scenario.actions.out_of_service(
        "HB-01", by="fitter", reason="hose", until=scenario.now + HOUR_NS, now=scenario.now
    )
    fresh = scenario.raise_(fault="hot_oil")
    scenario.wait(3600)
    assert (scenario.state(alert), scenario.state(fresh)) == ("shelved", "unacknowledged")
    assert scenario.sent_briefly() == ["raised 0", "raised 1"]
    scenario.wait(7200)
    assert scenario.state(alert) == "unacknowledged"
    assert len(scenario.sent()) == 2  # it had been sent before, and has not escalated


def test_suppressed_by_design_is_stored_and_never_sent_until_the_settings_change(make: Make) -> None:
    scenario = make(suppressed=("cold_oil",))
    alert = scenario.raise_(fault="cold_oil")
    scenario.wait(3600)
    assert (scenario.sent_briefly(), scenario.state(alert)) == ([], "suppressed_by_design")
    scenario.alarms = scenario.alarms.model_copy(update={"suppressed": ()})
    scenario.restart()
    scenario.wait(1)
    assert (scenario.sent_briefly(), scenario.state(alert)) == (["raised 0"], "unacknowledged")


def test_an_alert_whose_clear_is_withdrawn_is_active_again(make: Make) -> None:
    """Late rows refute a look-ahead. Those who were sent its clear are sent its raise again, under another id."""
    scenario = make()
    alert = scenario.raise_()
    scenario.clear(alert, provisional=2)
    assert scenario.state(alert) == "returned_unacknowledged"
    alert.cleared = None
    scenario.reopen(alert)
    assert scenario.state(alert) == "unacknowledged"
    assert scenario.sent_briefly() == ["raised 0", "cleared 0", "raised 0"]
    scenario.now += SECOND
    scenario.clear(alert)
    scenario.reopen(alert)
    assert scenario.sent_briefly() == ["raised 0", "cleared 0"] * 2 + ["raised 0"]


def test_an_alert_that_was_listed_as_ended_and_is_active_again_is_listed_again(make: Make) -> None:
    scenario = make()
    for n in range(13):
        scenario.raise_(fault=f"fault_{n}")
    alert = scenario.raised[12]
    scenario.wait(30 * MINUTE)
    scenario.clear(alert)
    scenario.reopen(alert)
    scenario.wait(30 * MINUTE)
    assert len(scenario.sent()) == 11  # nobody has been sent its end, so it is not listed again
    scenario.clear(alert)
    scenario.wait(30 * MINUTE)
    scenario.reopen(alert)
    scenario.wait(30 * MINUTE)
    assert scenario.sent_briefly()[11:] == ["digest 12", "digest 12"]
    listed = [one for _, body in scenario.sent()[10:] for one in body["alerts"] if one["id"] == alert.id]
    assert [one["cleared"] is None for one in listed] == [True, False, True]


def test_an_alert_that_is_active_again_while_shelved_is_sent_when_the_shelving_ends(make: Make) -> None:
    scenario = make()
    alert = scenario.raise_()
    scenario.actions.shelve(
        alert.id, until=scenario.now + HOUR_NS, by="manager", reason="known", now=scenario.now
    )
    scenario.clear(alert)
    scenario.reopen(alert)
    assert (scenario.state(alert), scenario.sent_briefly()) == ("shelved", ["raised 0", "cleared 0"])
    scenario.wait(3600)
    assert scenario.sent_briefly() == ["raised 0", "cleared 0", "raised 0"]


def test_an_alert_suppressed_while_held_for_a_digest_is_left_out(make: Make) -> None:
    scenario = make()
    for n in range(13):
        scenario.raise_("HB-02" if n == 11 else "HB-01", f"fault_{n}")
    held = scenario.raised[10]
    scenario.actions.shelve(
        held.id, until=scenario.now + HOUR_NS, by="manager", reason="known", now=scenario.now
    )
    scenario.actions.out_of_service("HB-02", by="fitter", reason="seals", now=scenario.now)
    scenario.wait(30 * MINUTE)
    assert scenario.sent_briefly()[10:] == ["digest 12"]
    scenario.wait(30 * MINUTE)
    scenario.wait(10)  # its onset lies in that flood, so its digest carries it
    assert scenario.sent_briefly()[11:] == ["digest 10"]
