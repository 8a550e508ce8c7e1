"""Turn findings into alerts, each alert once, however often it is found.

When no rows of a hammer arrive, the live processor looks ahead: it lets time pass for the detectors without keeping
their state. Findings of a look-ahead are provisional. When the rows arrive, they either confirm a finding by finding it
again, or refute it. An alert whose raise is refuted is withdrawn (cleared, marked and no longer counted). One whose
clear is refuted is raised again: its receivers know it as ended.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from strikewatch.core.alert import CLEAR_IS_PROVISIONAL, RAISE_IS_PROVISIONAL, Alert, Change, Step
from strikewatch.core.batch import Key
from strikewatch.core.finding import Finding
from strikewatch.core.instant import Instant

OnDuty = Callable[[Key, Instant], str | None]
"""The operator signed on to a hammer at an instant."""


@dataclass(slots=True)
class TrackedAlert:
    """An alert that is open, or not yet confirmed.

    `provisional`: the steps that only a look-ahead has found, RAISE_IS_PROVISIONAL and CLEAR_IS_PROVISIONAL added up.
    `looked_ahead_to`: how far that look-ahead went; rows up to there decide.
    """

    alert: Alert
    provisional: int = 0
    looked_ahead_to: Instant = 0


AlertName = tuple[str, Instant]
"""A fault of a hammer and its onset."""
Applied = tuple[Step, TrackedAlert, bool]
"""A step, the alert it belongs to, and whether it is to be delivered."""


class AlertTracker:
    """The alerts that may still change, by hammer and name.

    A finding later than `historic_after_ns` after its onset is historic.
    """

    def __init__(self, historic_after_ns: int) -> None:
        self._historic_after_ns = historic_after_ns
        self._tracked: dict[Key, dict[AlertName, TrackedAlert]] = {}

    def restore(self, key: Key, alert: Alert, provisional: int, looked_ahead_to: Instant) -> None:
        """Continue with an alert of an earlier run. `looked_ahead_to`: how far its look-ahead must have gone."""
        tracked = TrackedAlert(alert, provisional, looked_ahead_to)
        self._tracked.setdefault(key, {})[alert.fault, alert.onset] = tracked

    def open_alerts(self) -> list[Alert]:
        """Return the alerts that may still change."""
        return [tracked.alert for of_hammer in self._tracked.values() for tracked in of_hammer.values()]

    def tracked(self, key: Key) -> list[TrackedAlert]:
        """Return a hammer's alerts that may still change, as `restore` takes them."""
        return list(self._tracked.get(key, {}).values())

    def apply(
        self,
        findings: Iterable[Finding],
        on_duty: OnDuty,
        now: Instant | None,
        *,
        looked_ahead_to: Instant | None = None,
    ) -> list[Change]:
        """Apply findings in the order in which they became true; return what changed.

        `now` decides whether a finding is historic; None: none is, as in a recording. `looked_ahead_to`: the findings
        come from a look-ahead to that instant and are provisional.
        """
        changes: list[Change] = []
        for finding in findings:
            if looked_ahead_to is None:
                changes += self._reopen_escalated(finding)
            applied = self._apply_one(finding, on_duty, now, looked_ahead_to)
            if applied:
                step, tracked, deliver = applied
                changes.append(tracked.alert.change(step, provisional=tracked.provisional, deliver=deliver))
        return changes

    def apply_recorded(self, findings: Iterable[Finding], on_duty: OnDuty) -> list[Alert]:
        """Apply findings of a recording, where only the final state of an alert counts; return the alerts changed."""
        steps = [self._apply_one(finding, on_duty, None, None) for finding in findings]
        return [step[1].alert for step in steps if step]

    def withdraw_unconfirmed(self, key: Key, watermark: Instant) -> list[Change]:
        """Undo the provisional steps of a hammer that its rows, complete up to `watermark`, have not confirmed."""
        of_hammer = self._tracked.get(key)
        if not of_hammer:
            return []
        changes: list[Change] = []
        for tracked in list(of_hammer.values()):
            if not tracked.provisional or tracked.looked_ahead_to > watermark:
                continue
            alert = tracked.alert
            if tracked.provisional & RAISE_IS_PROVISIONAL:
                alert.cleared = max(alert.onset, alert.cleared or watermark)
                evidence, _ = alert.describe()
                description = (
                    {**evidence, "withdrawn": True},
                    "Withdrawn: samples that arrived late show otherwise.",
                )
                alert.describe = lambda description=description: description  # type: ignore[misc]
                tracked.provisional = 0
                del of_hammer[alert.fault, alert.onset]
                changes.append(alert.change("cleared"))
            else:
                changes.append(_reopen(tracked))
        return changes

    def _reopen_escalated(self, finding: Finding) -> list[Change]:
        """Reopen an alert that rows show to escalate after a look-ahead has cleared it."""
        if finding.step != "escalated":
            return []
        tracked = self._tracked.get(finding.key, {}).get((finding.kind.name, finding.onset))
        if tracked is None or finding.priority == tracked.alert.priority:
            return []
        return [_reopen(tracked)] if tracked.provisional & CLEAR_IS_PROVISIONAL else []

    def _apply_one(
        self, finding: Finding, on_duty: OnDuty, now: Instant | None, looked_ahead_to: Instant | None
    ) -> Applied | None:
        of_hammer = self._tracked.setdefault(finding.key, {})
        site, hammer = finding.key
        name = fault, onset = finding.kind.name, finding.onset
        tracked = of_hammer.get(name)
        if finding.step == "raised":
            if tracked is not None:
                if looked_ahead_to is not None or not tracked.provisional & RAISE_IS_PROVISIONAL:
                    return None
                tracked.provisional &= ~RAISE_IS_PROVISIONAL
                tracked.alert.operator = on_duty(finding.key, onset)
                return "raised", tracked, False
            operator = on_duty(finding.key, onset)
            alert = Alert(fault, site, hammer, operator, finding.priority, onset)
            alert.historic = now is not None and now - onset > self._historic_after_ns
            tracked = of_hammer[name] = TrackedAlert(alert)
            if looked_ahead_to is not None:
                tracked.provisional, tracked.looked_ahead_to = RAISE_IS_PROVISIONAL, looked_ahead_to
        elif tracked is None or (looked_ahead_to is not None and tracked.provisional & CLEAR_IS_PROVISIONAL):
            return None
        alert = tracked.alert
        # A provisional step has been delivered already, so its confirmation is not; another instant of the clear is.
        if finding.step == "cleared":
            is_new = alert.cleared is None or (looked_ahead_to is None and alert.cleared != finding.at)
        else:
            is_new = alert.priority != finding.priority
        alert.describe, alert.priority = finding.describe, finding.priority
        if finding.step == "raised":
            return "raised", tracked, True
        if finding.step == "standing" or (looked_ahead_to is not None and not is_new):
            return None
        if finding.step == "cleared":
            alert.cleared = finding.at
            if looked_ahead_to is None:
                tracked.provisional = 0
                del of_hammer[name]
            else:
                tracked.provisional |= CLEAR_IS_PROVISIONAL
                tracked.looked_ahead_to = looked_ahead_to
        return finding.step, tracked, is_new


def _reopen(tracked: TrackedAlert) -> Change:
    """Undo a provisional clear that rows have refuted."""
    tracked.alert.cleared = None
    tracked.provisional &= ~CLEAR_IS_PROVISIONAL
    return tracked.alert.change("raised", provisional=tracked.provisional)
