"""Suppressions are listed until they end, ended alerts cannot be shelved, and alerts not sent are counted."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from strikewatch.errors import Refused
from strikewatch.storage.queries.active import count_sent, ended_groups
from tests.engine.scene import HOUR_NS, MINUTE, SITE, START, Scene

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


def test_an_ended_alert_cannot_be_shelved_and_suppresses_no_later_one(make: Make) -> None:
    """Also where it ended after the person looked: what counts is how it stands when the shelf is made."""
    scene = make()
    waiting, seen = scene.raise_(), scene.raise_(fault="hot_oil")
    scene.desk.acknowledge(seen.id, by="manager", now=scene.now)
    for alert in (waiting, seen):
        scene.clear(alert)
        with pytest.raises(Refused, match="has ended, so it cannot be shelved; acknowledge it"):
            scene.desk.shelve(
                alert.id, until=scene.now + HOUR_NS, by="manager", reason="known", now=scene.now
            )
        assert scene.desk.muted(()) == []
    again = scene.raise_()
    assert scene.state(again) == "unacknowledged"
    assert scene.sent_in_short()[-1] == "raised 2"


def test_suppressions_are_listed_with_who_why_and_until_when(make: Make) -> None:
    scene = make(suppressed=("cold_oil",))
    shelved, until = scene.raise_(), scene.now + HOUR_NS
    scene.raise_(fault="cold_oil")
    scene.desk.shelve(shelved.id, until=until, by="manager", reason="known", now=scene.now)
    scene.clear(shelved)  # the shelf outlasts it
    scene.desk.out_of_service("HB-02", by="fitter", reason="seals", now=scene.now)
    scene.raise_("HB-02", "hot_oil")
    listed = scene.desk.muted(scene.alarms.suppressed)
    assert [
        (one.kind, one.hammer, one.fault, one.by, one.reason, one.until, one.active) for one in listed
    ] == [
        ("out_of_service", "HB-02", None, "fitter", "seals", None, 1),
        ("shelved", "HB-01", "same_spot", "manager", "known", until, 0),
        ("suppressed_by_design", None, "cold_oil", "settings", "alarms.suppressed", None, 1),
    ]
    assert scene.desk.end_shelving("HB-01", "same_spot", by="manager", now=scene.now).changed == 0
    scene.desk.end_shelving("HB-01", "same_spot", by="manager", now=scene.now)  # the same again is no error
    scene.desk.in_service("HB-02", by="fitter", now=scene.now)
    assert [one.kind for one in scene.desk.muted(scene.alarms.suppressed)] == ["suppressed_by_design"]
    assert scene.state(scene.raise_()) == "unacknowledged"


def test_alerts_of_a_day_are_counted_by_how_they_were_sent(make: Make) -> None:
    scene = make(suppressed=("cold_oil",), delay_s={"oil_heating": 60.0})
    scene.raise_(fault="cold_oil")
    scene.raise_(fault="oil_heating")
    for n in range(12):
        scene.raise_(fault=f"fault_{n}")
    scene.clear(scene.raise_(fault="withdrawn"), withdrawn=True)
    with scene.store.read() as connection:
        day = count_sent(connection, START - HOUR_NS)
        assert (day.singly, day.in_digests, day.waiting, day.unsent, day.alerts) == (10, 0, 3, 1, 14)
        scene.wait(30 * MINUTE)
        day = count_sent(connection, START - HOUR_NS)
        assert (day.singly + day.in_digests, day.waiting, day.unsent) == (13, 0, 1)
        assert count_sent(connection, scene.now).alerts == 0


def test_ended_alerts_are_grouped_and_acknowledged_as_far_as_they_were_seen(make: Make) -> None:
    scene = make()
    for _ in range(3):
        scene.clear(scene.raise_())
    scene.clear(scene.raise_(priority="high"))
    scene.clear(scene.raise_("HB-02", "hot_oil"))
    standing = scene.raise_()
    with scene.store.read() as connection:
        first, second = ended_groups(connection)
    assert (first.hammer, first.fault, first.count, first.priority) == ("HB-01", "same_spot", 4, "high")
    assert first.last == scene.raised[3].onset
    assert (second.hammer, second.count) == ("HB-02", 1)
    scene.wait(1)
    scene.clear(standing)  # after the person looked
    done = scene.desk.acknowledge_ended(
        "HB-01", "same_spot", ended_by=first.ended_by, by="manager", now=scene.now, site=SITE
    )
    assert done.changed == 4
    assert [scene.state(one) for one in scene.raised] == [
        *["normal"] * 4,
        *["returned_unacknowledged"] * 2,
    ]
