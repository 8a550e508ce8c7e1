"""Alerts of the processor itself: they are of a site and of no hammer (its name is empty), nobody's fault, and high, so
that no delay, storm or digest keeps them back.
"""

from collections.abc import Iterable
from typing import Any, Final

from strikewatch.core.alert import Alert, Change, Step, alert_id
from strikewatch.core.finding import Fault
from strikewatch.core.instant import SECOND, Instant

DISK_FULL: Final = Fault(
    "disk_full",
    "The processor's disk is full: free some room. Until there is some, what the hammers send may wait at the broker, "
    "and alerts with it.",
    {},
)
OWN: Final = (DISK_FULL,)
CALM_NS: Final = 5 * SECOND
"""A disk that has had room for so long is full no more: alerts shall not come and go with each step."""


class DiskFull:
    """The alert of each site about the disk of the database. Instants of `look` are wall time, `since` monotonic."""

    def __init__(self) -> None:
        self._standing: dict[str, Alert] = {}
        self._calm: Instant | None = None

    def restore(self, site: str, onset: Instant) -> None:
        """Take up what an earlier run raised."""
        self._standing[site] = _alert(site, onset)

    def look(self, full: bool, sites: Iterable[str], now: Instant, since: Instant) -> list[Change]:
        """What has become of it. `full`: as the database last said; `sites`: all that are known."""
        if full:
            self._calm = None
            new = [_alert(site, now) for site in sorted({*sites} - self._standing.keys())]
            self._standing |= {alert.site: alert for alert in new}
            return [_change("raised", alert) for alert in new]
        if not self._standing:
            return []
        if self._calm is None:
            self._calm = since
        if since - self._calm < CALM_NS:
            return []
        over = list(self._standing.values())
        self._standing.clear()
        for alert in over:
            alert.cleared = max(now, alert.onset)
        return [_change("cleared", alert) for alert in over]


def _alert(site: str, onset: Instant) -> Alert:
    return Alert(DISK_FULL.name, site, "", None, "high", onset, words=lambda: _TOLD)


_TOLD: Final[tuple[dict[str, Any], str]] = {}, DISK_FULL.summary


def _change(step: Step, alert: Alert) -> Change:
    name = alert_id(alert.site, alert.fault, alert.onset)
    return Change(
        step, alert.site, alert.hammer, name, {**alert.record(), "id": name}, alert.onset, alert.cleared
    )
