"""What an inspection's readings mean, told at once to who has entered them."""

from collections.abc import Mapping
from typing import Any

from strikewatch.pipeline import HammerSettings
from strikewatch.review import wear
from strikewatch.review.wear import Decision


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
