"""Whose fault: the operator signed on at an instant.

The last sign-on at or before it counts, until a sign-off or until 14 h have passed. Nobody signed on is
nobody: never the previous operator. A fault found late still goes to whoever was there at its onset.

More than `MOST` changes within `BURST` (0.6 s) come from a broken reader and not from people: nobody is known to be
signed on from there until the next change after the burst.
"""

from typing import Any, Final

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.blank_firing.state import LEAVING
from strikewatch.engine import as_of
from strikewatch.engine.as_of import History

SIGN_ON_LASTS: Final = 14 * 3600 * SECOND
"""No shift is longer: a sign-on forgotten at its end does not blame the next day on anyone."""
BURST: Final = LEAVING
"""Onsets of blank firing lie anywhere so long before they can be known, so all changes of that time are remembered."""
MOST: Final = 8

NAME: Final = "crew"
VERSION: Final = 2
STATE: Final = as_of.layout(24, 64)
OLDER: Final = {"crew/1:1160": as_of.layout(16, 64)}
"""Layouts of earlier versions that are still read."""


def note(people: History, event: Event) -> None:
    """Take a sign-on or sign-off into one hammer's history; other events pass by."""
    if event.kind not in ("sign_on", "sign_off"):
        return
    at = event.effective
    recent = sum(1 for since in people.since[-MOST - 1 :] if at - BURST < since < at)
    if recent < MOST:
        people.note(at, event.fields["operator"] if event.kind == "sign_on" else "")
    elif people.names[-1]:
        people.note(at, "")


def on_duty(crew: Any, instant: Instant) -> str | None:
    """Who was signed on at that instant, by one hammer's record; None where nobody was."""
    return still_on(as_of.at(crew, instant), instant)


def still_on(found: tuple[str, Instant] | None, instant: Instant) -> str | None:
    """Whom a roster names, unless the sign-on has lapsed."""
    return found[0] if found and instant - found[1] < SIGN_ON_LASTS else None
