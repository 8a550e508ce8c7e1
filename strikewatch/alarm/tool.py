"""Which tool a hammer had fitted at an instant: that of the last tool change before it."""

from typing import Any, Final

from strikewatch.alarm import roster
from strikewatch.model.events import Event
from strikewatch.model.instant import Instant

NAME: Final = "tool"
VERSION: Final = 1
STATE: Final = roster.layout(8, 32)


def note(tool: Any, event: Event) -> None:
    """Take a tool change into one hammer's record; other events pass by."""
    if event.kind == "tool_change":
        roster.note(tool, event.effective, event.fields["tool"])


def fitted(tool: Any, instant: Instant) -> str | None:
    """The tool at that instant, or None where none was ever told of."""
    found = roster.at(tool, instant)
    return found[0] if found else None
