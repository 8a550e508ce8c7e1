"""Names in force from an instant on, the last few of one hammer: who is signed on, which tool is fitted."""

from bisect import bisect_right
from typing import Any

import numpy as np

from strikewatch.model.instant import Instant


def layout(remembered: int, letters: int) -> np.dtype[Any]:
    """The dtype of a record that holds so many names, oldest first; an empty name is nobody, or nothing."""
    return np.dtype([("n", "<i8"), ("at", "<i8", (remembered,)), ("name", f"S{letters}", (remembered,))])


def note(roster: Any, at: Instant, name: str) -> None:
    """From this instant on it is this one; the oldest is forgotten when there is no room."""
    n = int(roster["n"])
    if n == len(roster["at"]):
        roster["at"][:-1] = roster["at"][1:].copy()
        roster["name"][:-1] = roster["name"][1:].copy()
        n -= 1
    roster["at"][n] = at
    roster["name"][n] = name.encode()
    roster["n"] = n + 1


Names = tuple[list[Instant], list[str]]
"""From when, and which, oldest first."""


def names(roster: Any) -> Names:
    """All of them, for many questions at once."""
    n = int(roster["n"])
    return roster["at"][:n].tolist(), [name.decode() for name in roster["name"][:n].tolist()]


def among(names: Names, instant: Instant) -> tuple[str, Instant] | None:
    """As `at`, of `names`; these stand in the order of time."""
    since, name = names
    k = bisect_right(since, instant) - 1
    return (name[k], since[k]) if k >= 0 and name[k] else None


def at(roster: Any, instant: Instant) -> tuple[str, Instant] | None:
    """The last one noted at or before an instant, and since when; None where there is none or its name is empty."""
    for k in range(int(roster["n"]) - 1, -1, -1):
        since = int(roster["at"][k])
        if since <= instant:
            name: bytes = roster["name"][k]
            return (name.decode(), since) if name else None
    return None
