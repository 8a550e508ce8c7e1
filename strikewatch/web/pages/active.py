"""The active alerts on the page, grouped by hammer; what is muted; what has ended.

What is shown depends on the database and on the reader's language, units and rights alone. So it is rendered once for
all readers alike, and a reader's script asks for what differs from what it has.
"""

import hashlib
from collections import defaultdict
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from threading import Lock
from typing import Any, Final

from markupsafe import Markup

from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.lifecycle import ACTIVE, SUPPRESSED
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.sinks.sites import Sites
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.active import (
    change_signature,
    count_sent,
    ended_groups,
    known_sites,
    list_mutes,
)
from strikewatch.storage.queries.alerts import Filter, search
from strikewatch.storage.queries.sites import Sites as Allowed
from strikewatch.web.live.stream import AlertSignatures
from strikewatch.web.pages.active_items import Renderer, count_alerts, ended_name, grouped, mute_name, verdict
from strikewatch.web.pages.formatting import Formatting

CARDS: Final = 12
"""Hammers shown with description, contact and advice, the highest priority first; the others get one line."""
DAY: Final = 86_400 * SECOND
RENDER_ANEW: Final = 600 * SECOND
"""After this the texts are rendered anew: "today" and the end of the shift change with the clock."""
KEPT_VIEWS: Final = 32
"""Earlier views per kind of reader from which a script can be brought up to date."""


@dataclass(slots=True)
class Section:
    """One list: its heading, and its items as HTML by their names."""

    id: str
    heading: str
    html: dict[str, Markup]


@dataclass(frozen=True, slots=True)
class View:
    """What one kind of reader sees. `hammers`: all that have alerts or mutes, the worst first, as site/hammer."""

    version: str
    verdict: str
    count: int
    sections: list[Section]
    hammers: list[str]
    muted: dict[str, str]
    note: str

    def changes(self, since: "View | None") -> dict[str, Any]:
        """Return for a script what differs from an earlier view; everything without one."""
        had = (
            {}
            if since is None
            else {name: html for each in since.sections for name, html in each.html.items()}
        )
        return {
            "version": self.version,
            "verdict": self.verdict,
            "count": self.count,
            "hammers": self.hammers,
            "muted": self.muted,
            "note": self.note,
            "sections": [
                {"id": each.id, "heading": each.heading, "keys": list(each.html)} for each in self.sections
            ],
            "items": {
                name: html
                for each in self.sections
                for name, html in each.html.items()
                if had.get(name) != html
            },
        }


@dataclass(frozen=True, slots=True)
class ActiveAlerts:
    """What needs somebody now.

    `_macro` gives a template's macro; `_suppressed`: the faults that the settings suppress; `_allowed`: the
    sites shown.
    """

    _database: DatabaseAccess
    _sites: Sites
    _macro: Callable[[str], Callable[..., Markup]]
    _settings_of: Callable[[Key], HammerSettings]
    _suppressed: Collection[str]
    _views: dict[tuple[str, ...], list[View]] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)
    _allowed: Allowed = None

    def limited_to(self, sites: Allowed) -> "ActiveAlerts":
        """Return those of some sites only."""
        return self if sites is None else replace(self, _allowed=sites)

    def signatures(self) -> AlertSignatures:
        """Return texts that differ whenever what is shown differs. Raises StoreError."""
        whole, marks = hashlib.sha256(), defaultdict[Key, Any](hashlib.sha256)
        with self._database.read() as connection:
            for row in change_signature(connection):
                whole.update(repr(row).encode())
                marks[row[0], row[1]].update(repr(row[2]).encode())
            whole.update(repr(list_mutes(connection, self._suppressed)).encode())
        return AlertSignatures(
            whole.hexdigest()[:16], {key: digest.hexdigest() for key, digest in marks.items()}
        )

    def view(self, formatting: Formatting, can_act: bool, now: Instant) -> View:
        """Return what a reader sees. Raises StoreError."""
        kind = self._kind(formatting, can_act)
        version = f"{self.signatures().version}-{now // RENDER_ANEW:x}"
        with self._lock:
            views = self._views.setdefault(kind, [])
            if not views or views[-1].version != version:
                views[:] = [*views[1 - KEPT_VIEWS :], self._render(version, formatting, can_act, now)]
            return views[-1]

    def changes(self, formatting: Formatting, can_act: bool, now: Instant, have: str) -> dict[str, Any]:
        """Return for a script what differs from the version that it has. Raises StoreError."""
        view = self.view(formatting, can_act, now)
        kind = self._kind(formatting, can_act)
        with self._lock:
            known = next((each for each in self._views[kind] if each.version == have), None)
        return view.changes(known)

    def _render(self, version: str, formatting: Formatting, can_act: bool, now: Instant) -> View:
        with self._database.read() as connection:
            active = search(connection, Filter(states=ACTIVE, sites=self._allowed), order="gravity")
            mutes = list_mutes(connection, self._suppressed, self._allowed)
            ended = ended_groups(connection, self._allowed)
            last_day = count_sent(connection, now - DAY, self._allowed)
            known = known_sites(connection, self._allowed)
        waiting = [alert for alert in active if alert.state == "unacknowledged"]
        urgent = grouped(alert for alert in waiting if alert.record["priority"] != "low")
        acknowledged = grouped(alert for alert in active if alert.state == "acknowledged")
        muted = grouped(alert for alert in active if alert.state in SUPPRESSED)
        # A hammer with a card shows its alerts of low priority there, too.
        carded = {(group.site, group.hammer): group for group in urgent}
        low = []
        for group in grouped(alert for alert in waiting if alert.record["priority"] == "low"):
            if (card := carded.get((group.site, group.hammer))) is not None:
                card.alerts.extend(group.alerts)
            else:
                low.append(group)
        several_sites = len(known) > 1
        t, draw = (
            formatting.translation,
            Renderer(self._macro, self._sites, self._settings_of, formatting, can_act, several_sites, now),
        )
        mute_items = {
            name: draw.named(name, "mute_line", mute) for mute in mutes if (name := mute_name(mute))
        }
        ended_items = {name: draw.named(name, "ended_group", g) for g in ended if (name := ended_name(g))}
        sections = [
            Section("cards", "", draw.groups("cards", "card", urgent[:CARDS])),
            Section("more", t("now.more", n=len(urgent[CARDS:])), draw.groups("more", "row", urgent[CARDS:])),
            Section("notices", t("now.notices", n=count_alerts(low)), draw.groups("notices", "row", low)),
            Section(
                "acknowledged",
                t("now.acknowledged", n=count_alerts(acknowledged)),
                draw.groups("acknowledged", "row", acknowledged),
            ),
            Section("muted", t("now.muted", n=len(mutes)), mute_items),
            Section(
                "muted-alerts",
                t("now.muted_alerts", n=count_alerts(muted)),
                draw.groups("muted-alerts", "row", muted),
            ),
            Section("ended", t("now.ended", n=sum(group.count for group in ended)), ended_items),
        ]
        order = dict.fromkeys(
            f"{group.site}/{group.hammer}"
            for groups in (urgent, low, acknowledged, muted)
            for group in groups
        )
        sent = {"singly": last_day.singly, "digests": last_day.in_digests, "unsent": last_day.unsent}
        return View(
            version,
            verdict(formatting, urgent, low, acknowledged, mutes),
            len(urgent),
            sections,
            list(order),
            draw.mute_labels(mutes),
            ""
            if last_day.alerts == last_day.singly
            else t("now.sent", n=last_day.alerts, waiting=last_day.waiting, **sent),
        )

    def _kind(self, formatting: Formatting, can_act: bool) -> tuple[str, ...]:
        """Return what the texts depend on, beside the database."""
        sites = () if self._allowed is None else ("sites", *sorted(self._allowed))
        return formatting.translation.language, formatting.units, str(can_act), *sites
