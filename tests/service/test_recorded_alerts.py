"""The alerts of a replay are those of its findings, made once somebody asks."""

from pathlib import Path
from typing import Any

import pytest

from strikewatch.engine import step_result
from strikewatch.engine.alert_tracker import AlertTracker
from strikewatch.engine.step_result import StepResult
from strikewatch.service.recorded.recorded_alerts import RecordedAlerts
from strikewatch.service.recorded.recordings import Recordings
from strikewatch.settings.tree import load

SHIFTS = Path(__file__).parents[2] / "replay_data"


@pytest.mark.parametrize("shift", ["full-bench", "hired-out"])
def test_alerts_are_made_on_demand_as_if_at_once(shift: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of two shifts with grouped findings and changes of operators."""
    at_once: dict[tuple[Any, ...], Any] = {}
    made: list[int] = []
    tracker = AlertTracker(historic_after_ns=0)
    add, findings_of = RecordedAlerts.add, step_result.findings_of

    def add_and_apply(self: RecordedAlerts, outcome: StepResult) -> None:
        add(self, outcome)
        before = len(made)
        for alert in tracker.apply_recorded(outcome.findings, outcome.on_duty):
            at_once[alert.site, alert.hammer, alert.fault, alert.onset] = alert
        del made[before:]

    def counted(found: Any, keys: Any) -> Any:
        made.append(len(found))
        return findings_of(found, keys)

    monkeypatch.setattr(RecordedAlerts, "add", add_and_apply)
    monkeypatch.setattr(step_result, "findings_of", counted)
    recordings = Recordings([SHIFTS / shift], load())
    result = recordings.replay(recordings.open())
    assert made == []
    alerts = {(one.site, one.hammer, one.fault, one.onset): one for one in result.alerts}
    assert made
    assert len(alerts) > 20
    assert {name: one.record() for name, one in alerts.items()} == {
        name: one.record() for name, one in at_once.items()
    }
    assert result.alerts == list(alerts.values())
