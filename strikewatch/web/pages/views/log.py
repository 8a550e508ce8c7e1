"""What was done to a hammer: the forms, and the recent entries with advice on their readings."""

from collections.abc import Iterable, Mapping
from typing import Any, Final

from starlette.responses import Response

from strikewatch.core.events import TIMER_RESETTING_KINDS, Event
from strikewatch.core.instant import SECOND
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.review.data.from_store import read_events
from strikewatch.review.wear import advice as wear
from strikewatch.storage.actions.entries import list_entries
from strikewatch.web.pages.page import PageRequest, Pages

RECENT_ENTRIES: Final = 25
KNOWN_OPERATORS: Final = 30 * 86_400 * SECOND
"""Operators who signed on at the site within this are offered."""
FORMS: Final = (
    *("grease", "check", "sign_on", "sign_off", "hours", "inspection", "tool_change", "work"),
    *("service", "storage", "coached"),
)
"""The kinds of entries that have a form."""


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
