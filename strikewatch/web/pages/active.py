"""The active alerts on the page, grouped by hammer; what is muted; what has ended.

What is shown depends on the database and on the reader's language, units and rights alone. So it is rendered once for
all readers alike, and a reader's script asks for what differs from what it has.
"""

import hashlib
import math
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from threading import Lock
from typing import Any, Final

from markupsafe import Markup

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.registry import DETECTORS
from strikewatch.engine.lifecycle import ACTIVE, SUPPRESSED
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.review.charts.drawing import local_time
from strikewatch.sinks.sites import Contact, Sites
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.active import (
    EndedGroup,
    Mute,
    change_signature,
    count_sent,
    ended_groups,
    known_sites,
    list_mutes,
)
from strikewatch.storage.queries.alerts import Filter, ListedAlert, search
from strikewatch.storage.queries.sites import Sites as Allowed
from strikewatch.web.live.stream import AlertSignatures
from strikewatch.web.pages.formatting import Formatting, clock

CARDS: Final = 12
"""Hammers shown with description, contact and advice, the highest priority first; the others get one line."""
DAY: Final = 86_400 * SECOND
RENDER_ANEW: Final = 600 * SECOND
"""After this the texts are rendered anew: "today" and the end of the shift change with the clock."""
KEPT_VIEWS: Final = 32
"""Earlier views per kind of reader from which a script can be brought up to date."""
_LIMITS: Final = {
    "same_spot": ("same_spot", "limit_s"),
    "hot_oil": ("hot_oil", "limit_c"),
    "oil_heating": ("oil_heating", "limit_c"),
    "cold_oil": ("cold_oil", "limit_c"),
    "grease_due": ("grease", "due_s"),
    "grease_overdue": ("grease", "overdue_s"),
}
"""Fault → the setting that is its limit. The limits of other faults are those of their traces."""
_TRACED: Final = {
    fault.name: (detector.name, fault.trace)
    for detector in DETECTORS
    for fault in detector.faults
    if fault.trace is not None
}


@dataclass(frozen=True, slots=True)
class Group:
    """The alerts of one hammer in one section, the worst first."""

    site: str
    hammer: str
    alerts: list[ListedAlert]

    @property
    def worst(self) -> dict[str, Any]:
        """The record of the alert of the highest priority."""
        return self.alerts[0].record

    @property
    def names(self) -> list[dict[str, str]]:
        """The alerts as operations on several alerts name them."""
        return [{"site": self.site, "id": alert.record["id"]} for alert in self.alerts]

    def contact(self, sites: Sites) -> Contact | None:
        """Return whom to call."""
        return sites.contact_of(self.site, self.hammer)


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
        t, draw = formatting.translation, _Renderer(self, formatting, can_act, several_sites, now)
        mute_items = {
            name: draw.named(name, "mute_line", mute) for mute in mutes if (name := _mute_name(mute))
        }
        ended_items = {name: draw.named(name, "ended_group", g) for g in ended if (name := _ended_name(g))}
        sections = [
            Section("cards", "", draw.groups("cards", "card", urgent[:CARDS])),
            Section("more", t("now.more", n=len(urgent[CARDS:])), draw.groups("more", "row", urgent[CARDS:])),
            Section("notices", t("now.notices", n=_count(low)), draw.groups("notices", "row", low)),
            Section(
                "acknowledged",
                t("now.acknowledged", n=_count(acknowledged)),
                draw.groups("acknowledged", "row", acknowledged),
            ),
            Section("muted", t("now.muted", n=len(mutes)), mute_items),
            Section(
                "muted-alerts",
                t("now.muted_alerts", n=_count(muted)),
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

    def limit(self, record: Mapping[str, Any], formatting: Formatting) -> str:
        """Return the limit that an alert's value has passed, "" if there is none to show."""
        fault, settings = record["fault"], self._settings_of((record["site"], record["hammer"]))
        if fault in _LIMITS:
            detector, name = _LIMITS[fault]
            value = getattr(settings[detector], name, None)
            shown = formatting.work_time(value / 3600) if value and detector == "grease" else None
            return shown or ("" if value is None else formatting.limit(name, value))
        if fault in _TRACED:
            detector, trace = _TRACED[fault]
            limits = [limit for limit in trace.limits(settings[detector]) if math.isfinite(limit)]
            return " – ".join(formatting.limit(trace.channels[0], limit) for limit in limits)
        return ""

    @property
    def sites(self) -> Sites:
        """The settings of the sites."""
        return self._sites

    def macro(self, name: str) -> Callable[..., Markup]:
        """Return a macro of the template of alerts."""
        return self._macro(name)


@dataclass(frozen=True, slots=True)
class _Renderer:
    """Renders items for one kind of reader by the macros of `_alert_macros.html`."""

    _active: ActiveAlerts
    _formatting: Formatting
    can_act: bool
    several_sites: bool
    _now: Instant

    def __call__(self, macro: str, item: object) -> Markup:
        return self._active.macro(macro)(item, self, self._formatting, self._formatting.translation)

    def named(self, name: str, macro: str, item: object) -> Markup:
        """Render an item that bears its name, by which a script finds it."""
        return Markup(self(macro, item).strip().replace("<li", Markup('<li data-item="{}"').format(name), 1))

    def groups(self, section: str, macro: str, groups: Iterable[Group]) -> dict[str, Markup]:
        names = ((f"{section}:{group.site}/{group.hammer}", group) for group in groups)
        return {name: self.named(name, macro, group) for name, group in names}

    def mute_labels(self, mutes: Sequence[Mute]) -> dict[str, str]:
        """Return what is muted of single hammers, by site/hammer."""
        by_hammer: defaultdict[str, list[str]] = defaultdict(list)
        for mute in mutes:
            if mute.hammer:
                by_hammer[f"{mute.site}/{mute.hammer}"].append(str(self("mute_label", mute)).strip())
        return {key: "; ".join(labels) for key, labels in by_hammer.items()}

    @property
    def sites(self) -> Sites:
        return self._active.sites

    def limit(self, record: Mapping[str, Any]) -> str:
        return self._active.limit(record, self._formatting)

    def onset(self, record: Mapping[str, Any]) -> Instant:
        return instant.parse(record["onset"])

    def clock(self, at: Instant, site: str) -> str:
        return clock(at, self.sites.zone_of(site), self._now)

    def shift_end(self, site: str) -> Any:
        """The end of the present shift, as local time at the site."""
        return self.sites.shift_end(site, local_time(self._now, self.sites.zone_of(site)))


def grouped(alerts: Iterable[ListedAlert]) -> list[Group]:
    """Group alerts by hammer; order is kept, so that the hammer with the gravest alert comes first."""
    groups: dict[Key, Group] = {}
    for alert in alerts:
        key = alert.record["site"], alert.record["hammer"]
        groups.setdefault(key, Group(*key, [])).alerts.append(alert)
    return list(groups.values())


def _count(groups: Iterable[Group]) -> int:
    return sum(len(group.alerts) for group in groups)


def _mute_name(mute: Mute) -> str:
    return f"muted:{mute.kind}/{mute.site or ''}/{mute.hammer or ''}/{mute.fault or ''}"


def _ended_name(group: EndedGroup) -> str:
    return f"ended:{group.site}/{group.hammer}/{group.fault}"


def verdict(
    formatting: Formatting,
    urgent: Sequence[Group],
    low: Sequence[Group],
    acknowledged: Sequence[Group],
    mutes: Sequence[Mute],
) -> str:
    """Say how many hammers need action, and what else stands; it says nothing about data that does not come."""
    t = formatting.translation
    hammers = sum(bool(group.hammer) for group in urgent)
    system = _count(group for group in urgent if not group.hammer)
    parts = [] if urgent else [t("now.need_none")]
    shelved = sum(mute.kind == "shelved" for mute in mutes)
    out_of_service = sum(mute.kind == "out_of_service" for mute in mutes)
    for name, count in (
        ("need", hammers),
        ("system", system),
        ("notice", _count(low)),
        ("seen", _count(acknowledged)),
        ("shelved", shelved),
        ("out", out_of_service),
    ):
        if count:
            parts.append(_plural(t, name, count))
    return " · ".join(parts)


def _plural(translate: Callable[..., str], name: str, count: int) -> str:
    return translate(f"now.{name}_{'one' if count == 1 else 'many'}", n=count)


def reporting(formatting: Formatting, heard: Collection[bool]) -> str:
    """Say how many hammers report now."""
    t, n = formatting.translation, sum(heard)
    if not heard:
        return t("now.none_known")
    if n == 0:
        return t("now.reporting_none")
    return t("now.reporting_all" if n == len(heard) > 1 else "now.reporting_some", n=n, of=len(heard))
