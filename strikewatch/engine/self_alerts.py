"""Self alerts: alerts about the processor itself.

They belong to a site and to no hammer (its name is empty), and are no operator's fault. Their priority is high, so no
delay, flood suppression or digest holds them back.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

from strikewatch.core.alert import Alert, Change
from strikewatch.core.finding import Fault
from strikewatch.core.instant import SECOND, Instant

DISK_FULL: Final = Fault(
    "disk_full",
    "The processor's disk is full: free some space. Until then, data from the hammers may wait at the broker, "
    "and alerts with it.",
    {},
)
DATABASE_UNAVAILABLE: Final = Fault(
    "database_unavailable",
    "The processor cannot write to its database: its log says why. Until then, data from the hammers waits at the "
    "broker, and alerts with it.",
    {},
)
SESSION_LOST: Final = Fault(
    "session_lost",
    "The broker no longer had the processor's session. Messages that it queued from {missing_since} to "
    "{missing_until} may be missing.",
    {"missing_since": str, "missing_until": str},
)
CLIENT_ID_IN_USE: Final = Fault(
    "client_id_in_use",
    "Another client connects to the broker with the processor's client id, so that data may be delayed or missing.",
    {},
)
DATA_MISSING: Final = Fault(
    "data_missing",
    "The database was restored from a copy. Data that arrived from {missing_since} to {missing_until} may be "
    "missing: no recording has it.",
    {"missing_since": str, "missing_until": str},
)
SELF_ALERTS: Final = (DISK_FULL, DATABASE_UNAVAILABLE, SESSION_LOST, CLIENT_ID_IN_USE, DATA_MISSING)
CLEAR_DELAY_NS: Final = 5 * SECOND
"""Off-delay: the cause must have been gone for this long before the alert clears, so that it does not chatter."""
SESSION_CLEAR_DELAY_NS: Final = 60 * SECOND
"""Off-delay of `session_lost`: a session lost again within this time continues the alert."""


class SelfAlert:
    """One kind of alert of the processor, at each site; it clears after an off-delay."""

    def __init__(self, fault: Fault, clear_delay_ns: int = CLEAR_DELAY_NS) -> None:
        self._fault = fault
        self._clear_delay_ns = clear_delay_ns
        self.active: dict[str, Alert] = {}
        """The alert of each site, while it is active."""
        self._evidence: dict[str, dict[str, Any]] = {}
        self._normal_since: Instant | None = None

    def restore(self, site: str, onset: Instant, evidence: Mapping[str, Any] | None = None) -> None:
        """Continue with an alert that an earlier run raised."""
        self._raise(site, onset, evidence or {})

    def update(
        self,
        present: bool,
        sites: Iterable[str],
        now: Instant,
        monotonic_ns: Instant,
        evidence: Callable[[str], Mapping[str, Any]] = lambda _site: {},
    ) -> list[Change]:
        """Raise or clear the alert; return what changed.

        `present`: whether its cause is present. `sites`: all known sites. `now`: wall clock, ns. `evidence` returns
        that of a site; an active alert keeps its values, apart from `missing_until`.
        """
        if present:
            self._normal_since = None
            for site in self.active:
                if "missing_until" in self._evidence[site]:
                    self._evidence[site]["missing_until"] = evidence(site)["missing_until"]
            new = sorted({*sites} - self.active.keys())
            return [self._raise(site, now, evidence(site)).change("raised") for site in new]
        if not self.active:
            return []
        if self._normal_since is None:
            self._normal_since = monotonic_ns
        if monotonic_ns - self._normal_since < self._clear_delay_ns:
            return []
        cleared = list(self.active.values())
        for alert in cleared:
            alert.cleared = max(now, alert.onset)
        changes = [alert.change("cleared") for alert in cleared]
        self.active.clear()
        self._evidence.clear()
        return changes

    def _raise(self, site: str, onset: Instant, evidence: Mapping[str, Any]) -> Alert:
        own = self._evidence[site] = dict(evidence)
        fault = self._fault
        self.active[site] = alert = Alert(
            fault.name,
            site,
            "",
            None,
            "high",
            onset,
            describe=lambda: (dict(own), fault.summary.format(**own)),
        )
        return alert
