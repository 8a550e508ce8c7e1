"""Findings become alerts, each once, whoever finds it how often.

Where nothing is heard of a hammer, the live processor looks ahead: it lets time pass for the detectors without keeping
their state. What that finds is provisional. The rows themselves, once they come, confirm it by finding it again; or
they were only late, and what silence had suggested is withdrawn (cleared, marked and no longer counted).
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from strikewatch.model.alert import PRIORITIES, Alert, Change, Step, alert_id
from strikewatch.model.batch import Key
from strikewatch.model.finding import Finding
from strikewatch.model.instant import Instant

OnDuty = Callable[[Key, Instant], str | None]


@dataclass(slots=True)
class Entry:
    """An alert that is open, or not yet confirmed."""

    alert: Alert
    raised_ahead: bool = False
    cleared_ahead: bool = False

    @property
    def provisional(self) -> bool:
        return self.raised_ahead or self.cleared_ahead


class Ledger:
    """The alerts that may still change, by hammer and id.

    A finding later than `historic_after_ns` after its onset is historic.
    """

    def __init__(self, historic_after_ns: int) -> None:
        self._historic_after_ns = historic_after_ns
        self._entries: dict[Key, dict[str, Entry]] = {}

    def restore(
        self, key: Key, alert: Alert, *, raised_ahead: bool = False, cleared_ahead: bool = False
    ) -> None:
        """Take up an alert of an earlier run."""
        self._entries.setdefault(key, {})[alert.id] = Entry(alert, raised_ahead, cleared_ahead)

    def open(self) -> list[Alert]:
        return [entry.alert for entries in self._entries.values() for entry in entries.values()]

    def take(
        self, findings: Iterable[Finding], on_duty: OnDuty, now: Instant | None, *, ahead: bool = False
    ) -> list[Change]:
        """Book findings in the order in which they became true; return what changed.

        `on_duty(key, instant)` tells the operator signed on. `now` tells a late finding from a fresh
        one; None: each was found as it became true, as in a recording.
        """
        changes: list[Change] = []
        for finding in findings:
            change = self._book(finding, on_duty, now, ahead)
            if change:
                changes.append(change)
        return changes

    def withdraw(self, key: Key, upto: Instant) -> list[Change]:
        """After a hammer's real rows reached `upto`: take back what silence had suggested and they do not bear out."""
        entries = self._entries.get(key)
        if not entries:
            return []
        changes: list[Change] = []
        for entry in [entry for entry in entries.values() if entry.provisional]:
            alert = entry.alert
            if entry.raised_ahead and alert.onset <= upto:
                alert.cleared = max(alert.onset, alert.cleared or upto)
                alert.evidence = {**alert.evidence, "withdrawn": True}
                alert.summary = "Withdrawn: samples that came late show otherwise."
                del entries[alert.id]
                changes.append(_change("cleared", entry))
            elif entry.cleared_ahead and alert.cleared is not None and alert.cleared <= upto:
                alert.cleared = None
                entry.cleared_ahead = False
                changes.append(_change("raised", entry, deliver=False))
        return changes

    def _book(self, finding: Finding, on_duty: OnDuty, now: Instant | None, ahead: bool) -> Change | None:
        entries = self._entries.setdefault(finding.key, {})
        site, hammer = finding.key
        found_id = alert_id(hammer, finding.fault, finding.onset)
        entry = entries.get(found_id)
        if finding.step == "raised":
            if entry is not None:
                if ahead or not entry.raised_ahead:
                    return None
                entry.raised_ahead = False
                entry.alert.operator = on_duty(finding.key, finding.onset)
                return _change("raised", entry, deliver=False)
            operator = on_duty(finding.key, finding.onset)
            alert = Alert(finding.fault, site, hammer, operator, finding.priority, finding.onset)
            alert.historic = now is not None and now - finding.onset > self._historic_after_ns
            entry = entries[found_id] = Entry(alert, raised_ahead=ahead)
        elif entry is None:
            return None
        alert = entry.alert
        before: tuple[Any, ...] = (alert.priority, alert.cleared)
        if ahead and entry.cleared_ahead:
            return None
        alert.summary = finding.summary
        alert.evidence = finding.evidence
        alert.priority = max(alert.priority, finding.priority, key=PRIORITIES.index)
        if finding.step == "standing":
            return None
        if finding.step == "cleared":
            alert.cleared = finding.at
            entry.cleared_ahead = ahead
            if not ahead:
                del entries[found_id]
        if finding.step == "raised":
            return _change("raised", entry)
        return _change(finding.step, entry, deliver=(alert.priority, alert.cleared) != before)


def _change(step: Step, entry: Entry, *, deliver: bool = True) -> Change:
    alert = entry.alert
    return Change(
        step=step,
        site=alert.site,
        hammer=alert.hammer,
        alert_id=alert.id,
        record=alert.record(),
        onset=alert.onset,
        cleared=alert.cleared,
        provisional=entry.provisional,
        deliver=deliver,
    )
