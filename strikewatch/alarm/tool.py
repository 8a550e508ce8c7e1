"""Which tool a hammer had fitted at an instant: that of the last tool change before it."""

from typing import Any, Final

from strikewatch.alarm import roster
from strikewatch.alarm.roster import History
from strikewatch.model.events import Event
from strikewatch.model.instant import Instant

NAME: Final = "tool"
VERSION: Final = 2
STATE: Final = roster.layout(16, 32)
OLDER: Final = {"tool/1:328": roster.layout(8, 32)}
"""Layouts of earlier versions that are still read."""


def note(tools: History, event: Event) -> None:
    """Take a tool change into one hammer's history; other events pass by."""
    if event.kind == "tool_change":
        tools.note(event.effective, event.fields["tool"])


def fitted(tool: Any, instant: Instant) -> str | None:
    """The tool at that instant, by one hammer's record; None where none was entered."""
    found = roster.at(tool, instant)
    return found[0] if found else None
