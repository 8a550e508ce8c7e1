"""One hammer: its day, alerts, operators, clocks, wear, feed and settings; its log with forms; the tasks due on all."""

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from markupsafe import Markup
from pydantic import BaseModel
from pydantic_core import PydanticUndefined
from sqlalchemy import select
from starlette.responses import Response

from strikewatch.core.batch import Ints, Key
from strikewatch.core.events import TIMER_RESETTING_KINDS, Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.registry import COMMON, DETECTORS, MISUSE
from strikewatch.engine.lifecycle import OPEN, STATES
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.review.charts.drawing import local_time
from strikewatch.review.data.from_store import read_events
from strikewatch.review.wear import advice as wear
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.actions.entries import list_entries
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.active import list_mutes
from strikewatch.storage.queries.alerts import Filter, ListedAlert
from strikewatch.storage.queries.traces import rows_between
from strikewatch.storage.schema.tables import exposure
from strikewatch.web.api.problems import Problem
from strikewatch.web.live.live_state import HOUR, MINUTE, is_reporting
from strikewatch.web.live.snapshot import WorkUnderWay
from strikewatch.web.live.stream import as_json
from strikewatch.web.pages.formatting import Formatting, day_begins
from strikewatch.web.pages.page import PageRequest, Pages

RECENT_ENTRIES: Final = 25
KNOWN_OPERATORS: Final = 30 * 86_400 * SECOND
"""Operators who signed on at the site within this are offered."""
FORMS: Final = (
    *("grease", "check", "sign_on", "sign_off", "hours", "inspection", "tool_change", "work"),
    *("service", "storage", "coached"),
)
"""The kinds of entries that have a form."""
MOST_ALERTS: Final = 20
MOST_ENTRIES: Final = 200
MOST_PROBLEMS: Final = 5
_UNIT: Final = re.compile(r", (s|h|m|mm|bar|rpm|deg|degC|days)(?= \(|;|$)")
"""A setting's unit in its description; its value has it, too."""
SAMPLING_WINDOW: Final = 60 * SECOND
"""The rows of this time before the newest one tell how often the feed is sampled."""


@dataclass(frozen=True, slots=True)
class OperatorDay:
    """What one operator did with a hammer today. `name` None: nobody was signed on."""

    name: str | None
    firing_h: float
    operating_h: float
    faults: int


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting in force. `usual`: its default as text, "" if that is what is in force."""

    about: str
    value: str
    usual: str


def hammer(pages: Pages, page: PageRequest) -> Response:
    """Show one hammer."""
    key = page.request.path_params["site"], page.request.path_params["hammer"]
    live = pages.live_state.hammers.get(key)
    if live is None:
        raise Problem(
            404,
            f"no data has been received from hammer {key[1]} at {key[0]}",
            "check the address, or go to Now",
        )
    zone = pages.sites.zone_of(key[0])
    # The day is drawn from the hour of its first data on.
    today = day_begins(local_time(page.now, zone).date(), zone)
    first = live.hours.first_heard(today) if live.hours.covers(today, page.now) else None
    begin = min(today if first is None else first // HOUR * HOUR, page.now - HOUR)
    actions = pages.context.alert_actions
    alerts = actions.alerts(Filter(key[0], key[1], since=today, states=STATES))
    entries = list_entries(pages.context.database, key, MOST_ENTRIES)
    inspection = next(
        (entry for entry in entries if entry.event.kind == "inspection" and not entry.corrected_by), None
    )
    fitted = read_events(pages.context.database, ("work", "tool_change"), page.now, key[0])
    with pages.context.database.read() as connection:
        mutes = [mute for mute in list_mutes(connection, ()) if (mute.site, mute.hammer) == key]
        problems = feed_problems.search(connection, page.now, site=key[0], hammer=key[1], limit=MOST_PROBLEMS)
    return pages.render(
        page,
        "hammer.html",
        key=key,
        live=live,
        reading=as_json(key, live),
        reporting=is_reporting(live, page.now),
        contact=pages.sites.contact_of(*key),
        timeline=Markup(pages.timelines.day(key, page.formatting, begin, page.now)),
        standing=actions.alerts(
            Filter(key[0], key[1], states=OPEN - {"returned_unacknowledged"}), order="gravity"
        ),
        mutes=mutes,
        alerts=alerts[:MOST_ALERTS],
        more_alerts=len(alerts) > MOST_ALERTS,
        operators=_operators(pages.context.database, key, today, alerts, live.work_under_way()),
        due=live.due_items(page.now),
        inspection=inspection,
        advice=[] if inspection is None else inspection_advice(inspection.event.fields, live.settings),
        tool=next(
            (entry for entry in entries if entry.event.kind == "tool_change" and not entry.corrected_by), None
        ),
        tool_note=tool_note(event for event in fitted if event.hammer == key[1]),
        step_s=_sampling(pages, key, live.snapshot.data_until),
        heard_share=_heard_share(live.hours.oil(today, page.now)[0], page.now),
        not_monitored=_worded(page.formatting, live.not_monitored()),
        uncertain=_worded(page.formatting, live.uncertain()),
        problems=problems,
        source=pages.source_lines(key),
        settings=_settings(page.formatting, live.settings),
    )


def due(pages: Pages, page: PageRequest) -> Response:
    """Show the maintenance tasks of all hammers, the most urgent first."""
    items = [
        (key, item) for key, hammer in pages.live_state.hammers.items() for item in hammer.due_items(page.now)
    ]
    items.sort(key=lambda row: (row[1].urgency, row[0]))
    return pages.render(page, "due.html", rows=items)


def _operators(
    database: DatabaseAccess,
    key: Key,
    today: Instant,
    alerts: Sequence[ListedAlert],
    under_way: WorkUnderWay | None,
) -> list[OperatorDay]:
    """Return who worked with a hammer today, most firing first."""
    c = exposure.c
    query = select(c.operator, c.firing_ns, c.operating_ns).where(
        c.site == key[0], c.hammer == key[1], c.start_ns >= today
    )
    firing: Counter[str | None] = Counter()
    operating: Counter[str | None] = Counter()
    with database.read() as connection:
        for operator, firing_ns, operating_ns in connection.execute(query):
            firing[operator] += firing_ns
            operating[operator] += operating_ns
    if under_way is not None and under_way.begin >= today:
        firing[under_way.operator] += under_way.firing_ns
        operating[under_way.operator] += under_way.operating_ns
    own = {*COMMON, *MISUSE}
    faults = Counter(alert.record["operator"] for alert in alerts if alert.record["fault"] in own)
    return [
        OperatorDay(name, firing[name] / HOUR, operating[name] / HOUR, faults[name])
        for name in sorted(operating | faults, key=lambda name: (-firing[name], name or ""))
    ]


def _sampling(pages: Pages, key: Key, until: Instant) -> float | None:
    """Return the usual time between two rows of late, s; None if unknown."""
    rows = rows_between(
        pages.context.database, pages.recordings, key, until - SAMPLING_WINDOW, until + 1, ("active",)
    )
    return float(np.median(np.diff(rows.time_ns))) / SECOND if len(rows) > 2 else None


def _heard_share(minutes: Ints, now: Instant) -> float | None:
    """Return the share of the minutes since the first data of today in which there was data; None without any."""
    return None if not len(minutes) else min(1.0, len(minutes) * MINUTE / max(now - int(minutes[0]), MINUTE))


def _worded(formatting: Formatting, by_reason: Mapping[str, Sequence[str]]) -> list[tuple[str, str]]:
    """Return (faults, why) in the reader's words."""
    return [
        (", ".join(map(formatting.fault_name, faults)), formatting.reason(reason))
        for reason, faults in by_reason.items()
    ]


def _settings(formatting: Formatting, settings: HammerSettings) -> list[tuple[str, list[Setting]]]:
    """Return the settings in force by what they are about; those that differ from the usual ones are marked."""
    titles = {
        detector.name: formatting.fault_name(detector.faults[0].name)
        for detector in DETECTORS
        if detector.faults
    }
    found = []
    for name, model in settings.items():
        assert isinstance(model, BaseModel)
        rows = [
            Setting(
                formatting.reason(_UNIT.sub("", field.description or field_name)),
                _shown(formatting, field_name, value),
                ""
                if default is PydanticUndefined or default == value
                else _shown(formatting, field_name, default),
            )
            for field_name, field in type(model).model_fields.items()
            for value, default in (
                (getattr(model, field_name), field.get_default(call_default_factory=True)),
            )
        ]
        if rows:
            title = titles.get(name) or formatting.translation(f"hammer.settings_{name}")
            found.append((title, rows))
    return found


def _shown(formatting: Formatting, name: str, value: Any) -> str:
    if value is None or value == {}:
        return formatting.translation("hammer.not_set")
    if isinstance(value, Mapping):
        return ", ".join(f"{formatting.reason(str(key))}: {each}" for key, each in value.items())
    return formatting.limit(name, value) if isinstance(value, float) else formatting.value(name, value)


def log(pages: Pages, page: PageRequest) -> Response:
    """Show the forms for what was done to a hammer, and the recent entries."""
    hammers = sorted(pages.live_state.hammers)
    name, site = page.query.get("hammer", ""), page.query.get("site", "")
    chosen = next((key for key in hammers if key[1] == name and site in ("", key[0])), None)
    chosen = chosen or (hammers[0] if hammers else None)
    values: dict[str, Any] = {"recent": [], "meter_h": None, "advice": {}, "tool_note": None, "operators": []}
    if chosen:
        hammer = pages.live_state.hammers[chosen]
        recent = list_entries(pages.context.database, chosen, RECENT_ENTRIES)
        fitted = read_events(pages.context.database, ("work", "tool_change"), page.now, chosen[0])
        values = {
            "recent": recent,
            "meter_h": hammer.meter_h,
            "advice": {
                entry.number: inspection_advice(entry.event.fields, hammer.settings)
                for entry in recent
                if entry.event.kind == "inspection"
            },
            "tool_note": tool_note(event for event in fitted if event.hammer == chosen[1]),
            "operators": sorted(
                {
                    str(event.fields["operator"])
                    for event in read_events(pages.context.database, ("sign_on",), page.now, chosen[0])
                    if event.time > page.now - KNOWN_OPERATORS
                }
            ),
            "greased_automatically": hammer.limits.grease_overdue_h is None,
        }
    return pages.render(
        page,
        "log.html",
        hammers=hammers,
        chosen=chosen,
        timer_resetting=TIMER_RESETTING_KINDS,
        correctable=FORMS,
        withdrawals={entry.number for entry in values["recent"] if entry.event.kind == "withdrawal"},
        **values,
    )


def inspection_advice(fields: Mapping[str, Any], settings: HammerSettings) -> list[tuple[str, wear.Decision]]:
    """Return (part, decision) for each part that an inspection measured."""
    limits = settings["wear"]
    assert isinstance(limits, wear.Settings)
    advice = []
    state, bore_mm = fields.get("bushing"), fields.get("bore_mm")
    if state is not None or bore_mm is not None:
        turned = fields.get("turned_before")
        advice.append(("bushing", wear.lower_bushing(state, turned, bore_mm, limits.bore_limit_mm)))
    for name, measure in (("tool_mm", "diameter"), ("tool_length_mm", "length")):
        if name in fields:
            limit_mm = getattr(limits, f"tool_{measure}_limit_mm")
            advice.append(("tool", wear.tool(measure, fields[name], limit_mm)))
    return advice


def tool_note(events: Iterable[Event]) -> str | None:
    """Return a note if the tool fitted last does not suit the last type of work; `events` of one hammer."""
    newest = {event.kind: event for event in sorted(events, key=lambda event: event.effective)}
    if "work" not in newest or "tool_change" not in newest:
        return None
    return wear.mismatch_note(newest["tool_change"].fields["tool"], newest["work"].fields)
