"""What an inspection's readings mean, and whether a tool suits the work, told at once to who has entered it."""

from collections.abc import Iterable, Mapping
from typing import Any

from strikewatch.core.events import Event
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.review.wear import limits as wear
from strikewatch.review.wear import tool_advice
from strikewatch.review.wear.limits import Decision


def judged(fields: Mapping[str, Any], settings: HammerSettings) -> list[tuple[str, Decision]]:
    """(what, decision) of each part that an inspection has readings of; `settings` are its hammer's."""
    limits = settings["wear"]
    assert isinstance(limits, wear.Settings)
    found = []
    state, bore_mm = fields.get("bushing"), fields.get("bore_mm")
    if state is not None or bore_mm is not None:
        turned = fields.get("turned_before")
        found.append(("bushing", wear.lower_bushing(state, turned, bore_mm, limits.bore_limit_mm)))
    for name, what in (("tool_mm", "diameter"), ("tool_length_mm", "length")):
        setting = f"tool_{what}_limit_mm"
        if name in fields:
            found.append(("tool", wear.tool(what, fields[name], getattr(limits, setting), setting)))
    return found


def unsuited(events: Iterable[Event]) -> str | None:
    """A note where the tool fitted last is not the one for the work told of last; `events` of one hammer."""
    newest: dict[str, Event] = {}
    for event in sorted(events, key=lambda one: one.effective):
        newest[event.kind] = event
    if "work" not in newest or "tool_change" not in newest:
        return None
    return tool_advice.mismatch_note(newest["tool_change"].fields["tool"], newest["work"].fields)
