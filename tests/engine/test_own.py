"""The processor's alert about its disk: one a site, once, and over only when there has been room for a while."""

from strikewatch.core.instant import SECOND
from strikewatch.engine.self_alerts import CALM_NS, DiskFull

START = 1_772_608_500_000_000_000
SITES = ["bench", "trench"]


def test_each_site_is_told_once_however_often_it_is_said() -> None:
    alert = DiskFull()
    assert alert.look(False, SITES, START, 0) == []
    raised = alert.look(True, SITES, START, 0)
    assert [(one.step, one.site, one.hammer, one.record["priority"]) for one in raised] == [
        ("raised", "bench", "", "high"),
        ("raised", "trench", "", "high"),
    ]
    assert len({one.alert_id for one in raised}) == 2
    assert alert.look(True, SITES, START + SECOND, SECOND) == []
    (late,) = alert.look(True, [*SITES, "pad"], START + 2 * SECOND, 2 * SECOND)
    assert (late.site, late.onset) == ("pad", START + 2 * SECOND)


def test_it_is_over_after_a_calm_that_nothing_broke_though_the_wall_clock_went_back() -> None:
    alert = DiskFull()
    (raised,) = alert.look(True, ["bench"], START, 0)
    assert alert.look(False, ["bench"], START, SECOND) == []
    assert alert.look(True, ["bench"], START, 2 * SECOND) == []
    assert alert.look(False, ["bench"], START, 3 * SECOND) == []
    assert alert.look(False, ["bench"], START, 3 * SECOND + CALM_NS - 1) == []
    (over,) = alert.look(False, ["bench"], START - 60 * SECOND, 3 * SECOND + CALM_NS)
    assert (over.step, over.alert_id, over.cleared) == ("cleared", raised.alert_id, START)
    assert alert.look(False, ["bench"], START, 1000 * SECOND) == []


def test_what_an_earlier_run_raised_is_the_same_alert() -> None:
    (raised,) = DiskFull().look(True, ["bench"], START, 0)
    later = DiskFull()
    later.restore("bench", START)
    assert later.look(True, ["bench"], START + SECOND, 0) == []
    later.look(False, [], START, 0)
    (over,) = later.look(False, [], START + SECOND, CALM_NS)
    assert over.alert_id == raised.alert_id
