"""The parts of the active alerts: groups by hammer, each item as HTML, and the verdict."""

import math
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from markupsafe import Markup

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.detectors.registry import DETECTORS
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.review.charts.drawing import local_time
from strikewatch.sinks.sites import Contact, Sites
from strikewatch.storage.queries.active import EndedGroup, Mute
from strikewatch.storage.queries.alerts import ListedAlert
from strikewatch.web.pages.formatting import Formatting, clock

_GAUGES: Final = {
    "same_spot": "spot",
    **dict.fromkeys(("hot_oil", "oil_heating", "cold_oil"), "oil"),
    **dict.fromkeys(("grease_due", "grease_overdue"), "grease"),
}
"""Fault → the live value that the page shows with it and its limit (`static/live.js`). Others show their limit only."""
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
        """Site and id of each alert, as the API takes them where it changes several at once."""
        return [{"site": self.site, "id": alert.record["id"]} for alert in self.alerts]

    def contact(self, sites: Sites) -> Contact | None:
        """Return whom to call."""
        return sites.contact_of(self.site, self.hammer)


@dataclass(frozen=True, slots=True)
class Renderer:
    """Renders items for one kind of reader by the macros of `_alert_macros.html`."""

    _macro: Callable[[str], Callable[..., Markup]]
    sites: Sites
    _settings_of: Callable[[Key], HammerSettings]
    _formatting: Formatting
    can_act: bool
    several_sites: bool
    _now: Instant

    def __call__(self, macro: str, item: object) -> Markup:
        return self._macro(macro)(item, self, self._formatting, self._formatting.translation)

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

    def gauge(self, fault: str) -> str:
        """Return the live value to show with a fault, "" for none."""
        return _GAUGES.get(fault, "")

    def limit(self, record: Mapping[str, Any]) -> str:
        """Return the limit that an alert's value has passed, "" if there is none to show."""
        formatting, fault = self._formatting, record["fault"]
        settings = self._settings_of((record["site"], record["hammer"]))
        if fault in _TRACED:
            detector, trace = _TRACED[fault]
            limits = [limit for limit in trace.limits(settings[detector]) if math.isfinite(limit)]
            return " – ".join(formatting.limit(trace.channels[0], limit) for limit in limits)
        return ""

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


def count_alerts(groups: Iterable[Group]) -> int:
    return sum(len(group.alerts) for group in groups)


def mute_name(mute: Mute) -> str:
    return f"muted:{mute.kind}/{mute.site or ''}/{mute.hammer or ''}/{mute.fault or ''}"


def ended_name(group: EndedGroup) -> str:
    return f"ended:{group.site}/{group.hammer}/{group.fault}"


def verdict(
    formatting: Formatting,
    urgent: Sequence[Group],
    low: Sequence[Group],
    acknowledged: Sequence[Group],
    mutes: Sequence[Mute],
) -> str:
    """Count the hammers that need action and the other active alerts, in words. Missing data is not mentioned."""
    t = formatting.translation
    hammers = sum(bool(group.hammer) for group in urgent)
    system = count_alerts(group for group in urgent if not group.hammer)
    parts = [] if urgent else [t("now.need_none")]
    shelved = sum(mute.kind == "shelved" for mute in mutes)
    out_of_service = sum(mute.kind == "out_of_service" for mute in mutes)
    for name, count in (
        ("need", hammers),
        ("system", system),
        ("notice", count_alerts(low)),
        ("seen", count_alerts(acknowledged)),
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
