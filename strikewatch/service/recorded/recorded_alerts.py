"""The alerts of a recording: steps keep what they found as columns until somebody asks for the alerts."""

from strikewatch.core.alert import Alert
from strikewatch.core.instant import Instant
from strikewatch.engine.alert_tracker import AlertTracker
from strikewatch.engine.step_result import StepResult


class RecordedAlerts:
    """The alerts of some hammers, each in its final state."""

    def __init__(self) -> None:
        self._tracker = AlertTracker(historic_after_ns=0)
        self._alerts: dict[tuple[str, str, str, Instant], Alert] = {}
        self._steps: list[StepResult] = []  # not applied yet

    def add(self, outcome: StepResult) -> None:
        """Add the next step of the hammers."""
        if len(outcome.found) or outcome.combined:
            self._steps.append(outcome.without_measurements())

    def restore(self, alert: Alert) -> None:
        """Continue with an alert of an earlier replay that may still change; before any step."""
        self._tracker.restore((alert.site, alert.hammer), alert, 0, 0)
        self._note(alert)

    def open_alerts(self) -> list[Alert]:
        """Return the alerts that may still change."""
        self._apply()
        return self._tracker.open_alerts()

    def all(self) -> list[Alert]:
        """Return all alerts."""
        self._apply()
        return list(self._alerts.values())

    def _apply(self) -> None:
        steps, self._steps = self._steps, []
        for outcome in steps:
            for alert in self._tracker.apply_recorded(outcome.findings, outcome.on_duty):
                self._note(alert)

    def _note(self, alert: Alert) -> None:
        self._alerts[alert.site, alert.hammer, alert.fault, alert.onset] = alert
