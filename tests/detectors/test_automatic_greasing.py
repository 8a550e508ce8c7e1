"""Greased automatically, a hammer has no interval and no strokes to keep; all else is found as ever."""

from strikewatch.detectors import coverage
from strikewatch.settings.faults import Faults
from tests.detectors.recorded import alerts, faults_of
from tests.twins.knowledge import admitted
from tests.twins.streams import columns, nasty

INTERVAL = {"grease_due", "grease_overdue", "grease_short"}


def test_no_interval_is_judged_and_nothing_else_changes() -> None:
    gone: set[str] = set()
    for seed in range(12):
        stream = nasty(seed)
        rows = {hammer: columns(admitted(one)) for hammer, one in stream.rows.items()}
        by_hand = faults_of(stream.settings)
        greasing = by_hand.grease.model_copy(update={"method": "automatic"})
        automatic = by_hand.model_copy(update={"grease": greasing})
        before = [a.record() for a in alerts(rows, stream.events, by_hand, stream.end)]
        after = [a.record() for a in alerts(rows, stream.events, automatic, stream.end)]
        assert after == [one for one in before if one["fault"] not in INTERVAL]
        gone |= {one["fault"] for one in before} & INTERVAL
    assert gone == INTERVAL


def test_it_is_said_what_is_not_judged_for_such_a_hammer() -> None:
    automatic = Faults.model_validate({"grease": {"method": "automatic"}})
    heard = {"active", "grease_level"}
    silent = dict(coverage.unmonitored_faults(automatic.by_detector(), heard))
    assert {silent[fault] for fault in INTERVAL} == {"it is greased automatically"}
    assert "grease_feed" not in silent
    assert "grease_feed" in dict(coverage.unmonitored_faults(automatic.by_detector(), {"active"}))
