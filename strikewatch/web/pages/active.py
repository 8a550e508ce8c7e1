"""The active alerts, mutes and ended alerts on the page."""

import hashlib
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from markupsafe import Markup

from strikewatch.core.alert import PRIORITIES
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.lifecycle import ACTIVE, SUPPRESSED
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.active import Mute, change_signature, count_sent, ended_groups, list_mutes
from strikewatch.storage.queries.alerts import Filter, ListedAlert, search
from strikewatch.storage.queries.sites import Sites
from strikewatch.web.pages.formatting import Formatting, Translation
from strikewatch.web.pages.timelines import Timelines

CARDS: Final = 12
"""Alerts shown with description and advice, the highest priority first; the others get one line."""
DAY: Final = 86_400 * SECOND


@dataclass(frozen=True, slots=True)
class ActiveAlerts:
    """What needs somebody now. `_suppressed`: the faults that the settings suppress. `_sites`: those shown."""

    _database: DatabaseAccess
    _timelines: Timelines
    _suppressed: Collection[str]
    _sites: Sites = None

    def limited_to(self, sites: Sites) -> "ActiveAlerts":
        """Return those of some sites only."""
        return self if sites is None else replace(self, _sites=sites)

    def variables(self, formatting: Formatting, now: Instant, with_timelines: bool = False) -> dict[str, Any]:
        """Return the variables of `_active.html`, on request with the hours around each card. Raises StoreError."""
        with self._database.read() as connection:
            active = search(connection, Filter(states=ACTIVE, sites=self._sites), order="gravity")
            muted = list_mutes(connection, self._suppressed, self._sites)
            groups = ended_groups(connection, self._sites)
            last_day = count_sent(connection, now - DAY, self._sites)
        waiting = [alert for alert in active if alert.state == "unacknowledged"]
        cards = [alert for alert in waiting if alert.record["priority"] != "low"][:CARDS]
        acknowledged = [alert for alert in active if alert.state == "acknowledged"]
        muted_alerts = [alert for alert in active if alert.state in SUPPRESSED]
        timelines = {
            alert.record["id"]: Markup(self._timelines.around(alert.record, formatting, now))
            for alert in (cards if with_timelines else ())
        }
        return {
            "headline": headline(formatting.translation, [*waiting, *acknowledged], muted_alerts),
            "cards": cards,
            "more": waiting[len(cards) :],
            "acknowledged": acknowledged,
            "muted_alerts": muted_alerts,
            "mutes": muted,
            "muted_hammers": _by_hammer(muted),
            "ended": groups,
            "ended_count": sum(group.count for group in groups),
            "last_day": last_day,
            "timelines": timelines,
        }

    def version(self) -> str:
        """Return a text that differs whenever the lists differ. Raises StoreError."""
        digest = hashlib.sha256()
        with self._database.read() as connection:
            for row in change_signature(connection):
                digest.update(repr(row).encode())
            digest.update(repr(list_mutes(connection, self._suppressed)).encode())
        return digest.hexdigest()


def headline(translation: Translation, active: Sequence[ListedAlert], muted: Sequence[ListedAlert]) -> str:
    """Say how many alerts are active, by priority; muted ones apart."""
    if not active:
        text = translation("now.quiet")
    else:
        count = translation("now.one") if len(active) == 1 else translation("now.many", n=len(active))
        text = translation("now.which", said=count, parts=_by_priority(translation, active))
    if not muted:
        return text
    return translation("now.and_muted", said=text, parts=_by_priority(translation, muted))


def _by_priority(translation: Translation, listed: Sequence[ListedAlert]) -> str:
    """Return such as "1 high, 5 medium"."""
    counts = Counter(str(alert.record["priority"]) for alert in listed)
    return ", ".join(
        f"{counts[priority]} {translation(f'priority.{priority}')}"
        for priority in PRIORITIES[::-1]
        if counts[priority]
    )


def _by_hammer(muted: Sequence[Mute]) -> dict[str, list[Mute]]:
    """Return the mutes of single hammers by the key of the hammer's row."""
    by_hammer: dict[str, list[Mute]] = {}
    for mute in muted:
        if mute.hammer:
            by_hammer.setdefault(f"{mute.site}/{mute.hammer}", []).append(mute)
    return by_hammer
