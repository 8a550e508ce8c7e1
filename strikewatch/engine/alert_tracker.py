"""Findings become alerts, each once, whoever finds it how often.

Where nothing is heard of a hammer, the live processor looks ahead: it lets time pass for the detectors without keeping
their state. What that finds is provisional. The rows themselves, once they come, confirm it by finding it again; or
they were only late, and what silence had suggested is withdrawn (cleared, marked and no longer counted).
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from strikewatch.core.alert import CLEARED_AHEAD, RAISED_AHEAD, Alert, Change, Step
from strikewatch.core.batch import Key
from strikewatch.core.finding import Finding
from strikewatch.core.instant import Instant

OnDuty = Callable[[Key, Instant], str | None]


@dataclass(slots=True)
class Entry:
    """An alert that is open, or not yet confirmed. `until`: what was seen ahead, was seen by looking up to here."""

    alert: Alert
    ahead: int = 0
    until: Instant = 0


Name = tuple[str, Instant]
"""A fault of a hammer and its onset."""
Booked = tuple[Step, Entry, bool]
"""A step that was booked, and whether it is news."""


class Ledger:
    """The alerts that may still change, by hammer and id.

    A finding later than `historic_after_ns` after its onset is historic.
    """

    def __init__(self, historic_after_ns: int) -> None:
        self._historic_after_ns = historic_after_ns
        self._entries: dict[Key, dict[Name, Entry]] = {}

    def restore(self, key: Key, alert: Alert, ahead: int, until: Instant) -> None:
        """Take up an alert of an earlier run; what had been seen ahead was seen by looking up to `until` at most."""
        self._entries.setdefault(key, {})[alert.fault, alert.onset] = Entry(alert, ahead, until)

    def open(self) -> list[Alert]:
        return [entry.alert for entries in self._entries.values() for entry in entries.values()]

    def take(
        self,
        findings: Iterable[Finding],
        on_duty: OnDuty,
        now: Instant | None,
        *,
        ahead: Instant | None = None,
    ) -> list[Change]:
        """Book findings in the order in which they became true; return what changed.

        `on_duty(key, instant)` tells the operator signed on. `now` tells a late finding from a fresh
        one; None: each was found as it became true, as in a recording. `ahead`: these come
        from a look ahead up to there.
        """
        changes: list[Change] = []
        for finding in findings:
            booked = self._book(finding, on_duty, now, ahead)
            if booked:
                changes.append(_change(*booked))
        return changes

    def follow(self, findings: Iterable[Finding], on_duty: OnDuty) -> list[Alert]:
        """The same for a recording, whose alerts matter only as they stand in the end: those that were touched."""
        booked = [self._book(finding, on_duty, None, None) for finding in findings]
        return [one[1].alert for one in booked if one]

    def withdraw(self, key: Key, upto: Instant) -> list[Change]:
        """After a hammer's real rows reached `upto`: take back what silence had suggested and they do not bear out."""
        entries = self._entries.get(key)
        if not entries:
            return []
        changes: list[Change] = []
        for entry in [one for one in entries.values() if one.ahead and one.until <= upto]:
            alert = entry.alert
            if entry.ahead & RAISED_AHEAD:
                alert.cleared = max(alert.onset, alert.cleared or upto)
                evidence, _ = alert.words()
                told = {**evidence, "withdrawn": True}, "Withdrawn: samples that came late show otherwise."
                alert.words = lambda told=told: told  # type: ignore[misc]
                entry.ahead = 0
                del entries[alert.fault, alert.onset]
                changes.append(_change("cleared", entry))
            else:
                alert.cleared = None
                entry.ahead = 0
                changes.append(_change("raised", entry, False))
        return changes

    def _book(
        self, finding: Finding, on_duty: OnDuty, now: Instant | None, ahead: Instant | None
    ) -> Booked | None:
        entries = self._entries.setdefault(finding.key, {})
        site, hammer = finding.key
        name = finding.fault, finding.onset
        entry = entries.get(name)
        if finding.step == "raised":
            if entry is not None:
                if ahead is not None or not entry.ahead & RAISED_AHEAD:
                    return None
                entry.ahead &= ~RAISED_AHEAD
                entry.alert.operator = on_duty(finding.key, finding.onset)
                return "raised", entry, False
            operator = on_duty(finding.key, finding.onset)
            alert = Alert(finding.fault, site, hammer, operator, finding.priority, finding.onset)
            alert.historic = now is not None and now - finding.onset > self._historic_after_ns
            entry = entries[name] = Entry(alert)
            if ahead is not None:
                entry.ahead, entry.until = RAISED_AHEAD, ahead
        elif entry is None or (ahead is not None and entry.ahead & CLEARED_AHEAD):
            return None
        alert = entry.alert
        # What was seen ahead has been told; that the rows bear it out, or put it elsewhere, changes the record only.
        news = alert.cleared is None if finding.step == "cleared" else alert.priority != finding.priority
        alert.words, alert.priority = finding.words, finding.priority
        if finding.step == "raised":
            return "raised", entry, True
        if finding.step == "standing" or (ahead is not None and not news):
            return None
        if finding.step == "cleared":
            alert.cleared = finding.at
            if ahead is None:
                entry.ahead = 0
                del entries[name]
            else:
                entry.ahead, entry.until = entry.ahead | CLEARED_AHEAD, ahead
        return finding.step, entry, news


def _change(step: Step, entry: Entry, deliver: bool = True) -> Change:
    alert = entry.alert
    return Change(
        step=step,
        site=alert.site,
        hammer=alert.hammer,
        alert_id=alert.id,
        record=alert.record(),
        onset=alert.onset,
        cleared=alert.cleared,
        ahead=entry.ahead,
        deliver=deliver,
    )
