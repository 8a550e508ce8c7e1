"""The processor's alert about a full disk: one per site, cleared only after its off-delay."""

from strikewatch.core.alert import Alert, alert_id
from strikewatch.core.instant import SECOND
from strikewatch.engine.self_alerts import CLEAR_DELAY_NS, DISK_FULL, SelfAlert

START = 1_772_608_500_000_000_000
SITES = ["bench", "trench"]


def test_each_site_gets_one_alert_however_often_it_is_reported() -> None:
    alert = SelfAlert(DISK_FULL)
    assert alert.update(False, SITES, START, 0) == []
    raised = alert.update(True, SITES, START, 0)
    assert [(one.step, one.site, one.hammer, one.record["priority"]) for one in raised] == [
        ("raised", "bench", "", "high"),
        ("raised", "trench", "", "high"),
    ]
    assert len({one.alert_id for one in raised}) == 2
    assert alert.update(True, SITES, START + SECOND, SECOND) == []
    (late,) = alert.update(True, [*SITES, "pad"], START + 2 * SECOND, 2 * SECOND)
    assert (late.site, late.onset) == ("pad", START + 2 * SECOND)


def test_it_clears_after_the_off_delay_even_if_the_wall_clock_was_set_back() -> None:
    alert = SelfAlert(DISK_FULL)
    (raised,) = alert.update(True, ["bench"], START, 0)
    assert alert.update(False, ["bench"], START, SECOND) == []
    assert alert.update(True, ["bench"], START, 2 * SECOND) == []
    assert alert.update(False, ["bench"], START, 3 * SECOND) == []
    assert alert.update(False, ["bench"], START, 3 * SECOND + CLEAR_DELAY_NS - 1) == []
    (over,) = alert.update(False, ["bench"], START - 60 * SECOND, 3 * SECOND + CLEAR_DELAY_NS)
    assert (over.step, over.alert_id, over.cleared) == ("cleared", raised.alert_id, START)
    assert alert.update(False, ["bench"], START, 1000 * SECOND) == []


def test_an_alert_of_an_earlier_run_is_continued() -> None:
    (raised,) = SelfAlert(DISK_FULL).update(True, ["bench"], START, 0)
    later = SelfAlert(DISK_FULL)
    later.restore("bench", START)
    assert later.update(True, ["bench"], START + SECOND, 0) == []
    later.update(False, [], START, 0)
    (over,) = later.update(False, [], START + SECOND, CLEAR_DELAY_NS)
    assert over.alert_id == raised.alert_id


def test_its_id_is_that_of_its_site_since_it_has_no_hammer() -> None:
    (raised,) = SelfAlert(DISK_FULL).update(True, ["bench"], START, 0)
    assert raised.alert_id == raised.record["id"] == alert_id("bench", "disk_full", START)
    restored = Alert("disk_full", "bench", "", None, "high", START)
    assert restored.id == restored.record()["id"] == raised.alert_id
