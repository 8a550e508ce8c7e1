"""Whose fault: the operator signed on at an instant.

The last sign-on at or before it counts, until a sign-off or until 14 h have passed. Nobody signed on is
nobody: never the previous operator. A hammer remembers its last few sign-ons, so that a fault found late still goes to
whoever was there at its onset.
"""

from typing import Any, Final

from strikewatch.alarm import roster
from strikewatch.model.events import Event
from strikewatch.model.instant import SECOND, Instant

SIGN_ON_LASTS: Final = 14 * 3600 * SECOND
"""No shift is longer: a sign-on forgotten at its end does not blame the next day on anyone."""

NAME: Final = "crew"
VERSION: Final = 1
STATE: Final = roster.layout(16, 64)


def note(crew: Any, event: Event) -> None:
    """Take a sign-on or sign-off into one hammer's record; other events pass by."""
    if event.kind in ("sign_on", "sign_off"):
        name: str = event.fields["operator"] if event.kind == "sign_on" else ""
        roster.note(crew, event.effective, name)


def on_duty(crew: Any, instant: Instant) -> str | None:
    """Who was signed on at that instant, or None."""
    return still_on(roster.at(crew, instant), instant)


def still_on(found: tuple[str, Instant] | None, instant: Instant) -> str | None:
    """Whom a roster names, unless the sign-on has lapsed."""
    return found[0] if found and instant - found[1] < SIGN_ON_LASTS else None
