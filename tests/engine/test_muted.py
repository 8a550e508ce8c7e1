"""Suppressions are listed until they end, ended alerts cannot be shelved, and alerts not sent are counted."""

from collections.abc import Callable

import pytest

from strikewatch.errors import Refused
from strikewatch.storage.queries.active import count_sent, ended_groups
from tests.engine.scenario import HOUR_NS, MINUTE, SITE, START, AlertScenario

Make = Callable[..., AlertScenario]


def test_an_ended_alert_cannot_be_shelved_and_suppresses_no_later_one(make: Make) -> None:
    """Even if it ended after the person saw it: its state when it is shelved counts."""
    scenario = make()
    unacknowledged, acknowledged = scenario.raise_(), scenario.raise_(fault="hot_oil")
    scenario.actions.acknowledge(acknowledged.id, by="manager", now=scenario.now)
    for alert in (unacknowledged, acknowledged):
        scenario.clear(alert)
        with pytest.raises(Refused, match="has ended, so it cannot be shelved; acknowledge it"):
            scenario.actions.shelve(
                alert.id, until=scenario.now + HOUR_NS, by="manager", reason="known", now=scenario.now
            )
        assert scenario.actions.muted(()) == []
    again = scenario.raise_()
    assert scenario.state(again) == "unacknowledged"
    assert scenario.sent_briefly()[-1] == "raised 2"


def test_suppressions_are_listed_with_who_why_and_until_when(make: Make) -> None:
    scenario = make(suppressed=("cold_oil",))
    shelved, until = scenario.raise_(), scenario.now + HOUR_NS
    scenario.raise_(fault="cold_oil")
    scenario.actions.shelve(shelved.id, until=until, by="manager", reason="known", now=scenario.now)
    scenario.clear(shelved)  # shelving continues
    scenario.actions.out_of_service("HB-02", by="fitter", reason="seals", now=scenario.now)
    scenario.raise_("HB-02", "hot_oil")
    listed = scenario.actions.muted(scenario.alarms.suppressed)
    assert [(s.kind, s.hammer, s.fault, s.by, s.reason, s.until, s.active) for s in listed] == [
        ("out_of_service", "HB-02", None, "fitter", "seals", None, 1),
        ("shelved", "HB-01", "same_spot", "manager", "known", until, 0),
        ("suppressed_by_design", None, "cold_oil", "settings", "alarms.suppressed", None, 1),
    ]
    assert scenario.actions.end_shelving("HB-01", "same_spot", by="manager", now=scenario.now).changed == 0
    scenario.actions.end_shelving(
        "HB-01", "same_spot", by="manager", now=scenario.now
    )  # repeating it is no error
    scenario.actions.in_service("HB-02", by="fitter", now=scenario.now)
    assert [suppression.kind for suppression in scenario.actions.muted(scenario.alarms.suppressed)] == [
        "suppressed_by_design"
    ]
    assert scenario.state(scenario.raise_()) == "unacknowledged"


def test_alerts_of_a_day_are_counted_by_how_they_were_sent(make: Make) -> None:
    scenario = make(suppressed=("cold_oil",), delay_s={"oil_heating": 60.0})
    scenario.raise_(fault="cold_oil")
    scenario.raise_(fault="oil_heating")
    for n in range(12):
        scenario.raise_(fault=f"fault_{n}")
    scenario.clear(scenario.raise_(fault="withdrawn"), withdrawn=True)
    with scenario.store.read() as connection:
        day = count_sent(connection, START - HOUR_NS)
        assert (day.singly, day.in_digests, day.waiting, day.unsent, day.alerts) == (10, 0, 3, 1, 14)
        scenario.wait(30 * MINUTE)
        day = count_sent(connection, START - HOUR_NS)
        assert (day.singly + day.in_digests, day.waiting, day.unsent) == (13, 0, 1)
        assert count_sent(connection, scenario.now).alerts == 0


def test_a_group_of_ended_alerts_is_acknowledged_up_to_its_last_one_shown(make: Make) -> None:
    scenario = make()
    for _ in range(3):
        scenario.clear(scenario.raise_())
    scenario.clear(scenario.raise_(priority="high"))
    scenario.clear(scenario.raise_("HB-02", "hot_oil"))
    active = scenario.raise_()
    with scenario.store.read() as connection:
        first, second = ended_groups(connection)
    assert (first.hammer, first.fault, first.count, first.priority) == ("HB-01", "same_spot", 4, "high")
    assert first.last == scenario.raised[3].onset
    assert (second.hammer, second.count) == ("HB-02", 1)
    scenario.wait(1)
    scenario.clear(active)  # after the group was shown
    done = scenario.actions.acknowledge_ended(
        "HB-01", "same_spot", ended_by=first.ended_by, by="manager", now=scenario.now, site=SITE
    )
    assert done.changed == 4
    assert [scenario.state(alert) for alert in scenario.raised] == [
        *["normal"] * 4,
        *["returned_unacknowledged"] * 2,
    ]
