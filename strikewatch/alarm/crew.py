"""Whose fault: the operator signed on at an instant.

The last sign-on at or before it counts, until a sign-off or until 14 h have passed. Nobody signed on is
nobody: never the previous operator. A hammer remembers its last few sign-ons, so that a fault found late still goes to
whoever was there at its onset.
"""

from typing import Any, Final

import numpy as np

from strikewatch.model.events import Event
from strikewatch.model.instant import SECOND, Instant

SIGN_ON_LASTS: Final = 14 * 3600 * SECOND
"""No shift is longer: a sign-on forgotten at its end does not blame the next day on anyone."""

REMEMBERED: Final = 16
NAME: Final = "crew"
VERSION: Final = 1
STATE: Final = np.dtype([("n", "<i8"), ("at", "<i8", (REMEMBERED,)), ("operator", "S64", (REMEMBERED,))])
"""Oldest first; an empty name is a sign-off."""


def note(crew: Any, event: Event) -> None:
    """Take a sign-on or sign-off into one hammer's record; other events pass by."""
    if event.kind not in ("sign_on", "sign_off"):
        return
    name = event.fields["operator"].encode() if event.kind == "sign_on" else b""
    n = int(crew["n"])
    if n == REMEMBERED:
        crew["at"][:-1] = crew["at"][1:].copy()
        crew["operator"][:-1] = crew["operator"][1:].copy()
        n -= 1
    crew["at"][n] = event.effective
    crew["operator"][n] = name
    crew["n"] = n + 1


def on_duty(crew: Any, instant: Instant) -> str | None:
    """Who was signed on at that instant, or None."""
    for k in range(int(crew["n"]) - 1, -1, -1):
        at = int(crew["at"][k])
        if at <= instant:
            name: bytes = crew["operator"][k]
            return name.decode() if name and instant - at < SIGN_ON_LASTS else None
    return None
