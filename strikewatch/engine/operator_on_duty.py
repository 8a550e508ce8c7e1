"""The operator on duty: who was signed on to a hammer at an instant.

The last sign-on at or before the instant counts, until a sign-off or until 14 h have passed. With nobody signed on the
answer is nobody, never the previous operator. A fault found late is attributed to the operator at its onset.

More than `MAX_BURST_CHANGES` changes within `BURST_WINDOW` (0.6 s) come from a faulty card reader and not from people.
Nobody is then known to be signed on from there until the next change after the burst.
"""

from typing import Any, Final

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.blank_firing.state import LEAVING
from strikewatch.engine import as_of
from strikewatch.engine.as_of import AsOfLookup

SIGN_ON_EXPIRES_AFTER: Final = 14 * 3600 * SECOND
"""No shift is longer, so a forgotten sign-off does not attribute the next day to the same operator."""
BURST_WINDOW: Final = LEAVING
"""The onset of blank firing becomes known at most this much later, so all changes of that time are kept."""
MAX_BURST_CHANGES: Final = 8

NAME: Final = "crew"
"""Name of this part in saved states; renaming it would lose them."""
VERSION: Final = 2
STATE: Final = as_of.layout(24, 64)
OLDER: Final = {"crew/1:1160": as_of.layout(16, 64)}
"""Layouts of earlier versions that can still be read."""


def apply_event(operators: AsOfLookup, event: Event) -> None:
    """Apply a sign-on or sign-off to one hammer's operators; ignore other events."""
    if event.kind not in ("sign_on", "sign_off"):
        return
    at = event.effective
    recent = sum(1 for time in operators.times[-MAX_BURST_CHANGES - 1 :] if at - BURST_WINDOW < time < at)
    if recent < MAX_BURST_CHANGES:
        operators.add(at, event.fields["operator"] if event.kind == "sign_on" else "")
    elif operators.names[-1]:
        operators.add(at, "")


def on_duty(record: Any, instant: Instant) -> str | None:
    """Return the operator signed on at an instant, from one hammer's record; None where nobody was."""
    return unless_expired(as_of.find(record, instant), instant)


def unless_expired(sign_on: tuple[str, Instant] | None, instant: Instant) -> str | None:
    """Return the operator of a sign-on (operator, time), or None if it has expired by `instant`."""
    return sign_on[0] if sign_on and instant - sign_on[1] < SIGN_ON_EXPIRES_AFTER else None
