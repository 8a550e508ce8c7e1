"""The tool fitted to a hammer at an instant: that of the last tool change before it."""

from typing import Any, Final

from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.engine import as_of
from strikewatch.engine.as_of import AsOfLookup

NAME: Final = "tool"
"""Name of this part in saved states; renaming it would lose them."""
VERSION: Final = 2
STATE: Final = as_of.layout(16, 32)
OLDER: Final = {"tool/1:328": as_of.layout(8, 32)}
"""Layouts of earlier versions that can still be read."""


def apply_event(tools: AsOfLookup, event: Event) -> None:
    """Apply a tool change to one hammer's tools; ignore other events."""
    if event.kind == "tool_change":
        tools.add(event.effective, event.fields["tool"])


def tool_at(record: Any, instant: Instant) -> str | None:
    """Return the tool fitted at an instant, from one hammer's record; None where none was logged."""
    found = as_of.find(record, instant)
    return found[0] if found else None
