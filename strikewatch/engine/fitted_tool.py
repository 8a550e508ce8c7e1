"""Which tool a hammer had fitted at an instant: that of the last tool change before it."""

from typing import Any, Final

from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.engine import as_of
from strikewatch.engine.as_of import History

NAME: Final = "tool"
VERSION: Final = 2
STATE: Final = as_of.layout(16, 32)
OLDER: Final = {"tool/1:328": as_of.layout(8, 32)}
"""Layouts of earlier versions that are still read."""


def note(tools: History, event: Event) -> None:
    """Take a tool change into one hammer's history; other events pass by."""
    if event.kind == "tool_change":
        tools.note(event.effective, event.fields["tool"])


def fitted(tool: Any, instant: Instant) -> str | None:
    """The tool at that instant, by one hammer's record; None where none was entered."""
    found = as_of.at(tool, instant)
    return found[0] if found else None
