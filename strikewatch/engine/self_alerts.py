"""Self alerts: alerts about the processor itself.

They belong to a site and to no hammer (its name is empty), and are no operator's fault. Their priority is high, so no
delay, flood suppression or digest holds them back.
"""

from collections.abc import Iterable
from typing import Any, Final

from strikewatch.core.alert import Alert, Change, Step, alert_id
from strikewatch.core.finding import Fault
from strikewatch.core.instant import SECOND, Instant

DISK_FULL: Final = Fault(
    "disk_full",
    "The processor's disk is full: free some space. Until then, data from the hammers may wait at the broker, "
    "and alerts with it.",
    {},
)
SELF_ALERTS: Final = (DISK_FULL,)
CLEAR_DELAY_NS: Final = 5 * SECOND
"""Off-delay: the disk must have had space for this long before the alert clears, so that it does not chatter."""


class DiskFullAlert:
    """The `disk_full` alert of each site."""

    def __init__(self) -> None:
        self._active: dict[str, Alert] = {}
        self._space_since: Instant | None = None

    def restore(self, site: str, onset: Instant) -> None:
        """Continue with an alert that an earlier run raised."""
        self._active[site] = _alert(site, onset)

    def update(self, full: bool, sites: Iterable[str], now: Instant, monotonic_ns: Instant) -> list[Change]:
        """Raise or clear the alert; return what changed.

        `full`: the last report of the database. `sites`: all known sites. `now`: wall clock, ns.
        """
        if full:
            self._space_since = None
            raised = [_alert(site, now) for site in sorted({*sites} - self._active.keys())]
            self._active |= {alert.site: alert for alert in raised}
            return [_change("raised", alert) for alert in raised]
        if not self._active:
            return []
        if self._space_since is None:
            self._space_since = monotonic_ns
        if monotonic_ns - self._space_since < CLEAR_DELAY_NS:
            return []
        cleared = list(self._active.values())
        self._active.clear()
        for alert in cleared:
            alert.cleared = max(now, alert.onset)
        return [_change("cleared", alert) for alert in cleared]


def _alert(site: str, onset: Instant) -> Alert:
    return Alert(DISK_FULL.name, site, "", None, "high", onset, describe=lambda: _DESCRIPTION)


_DESCRIPTION: Final[tuple[dict[str, Any], str]] = {}, DISK_FULL.summary


def _change(step: Step, alert: Alert) -> Change:
    id_ = alert_id(alert.site, alert.fault, alert.onset)
    return Change(
        step, alert.site, alert.hammer, id_, {**alert.record(), "id": id_}, alert.onset, alert.cleared
    )
