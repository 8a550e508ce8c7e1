"""The state of one hammer: a numpy record with a part for each detector, saved as bytes of a named layout."""

from collections.abc import Callable, Iterator, Mapping
from functools import lru_cache, partial
from itertools import accumulate
from typing import Any, Final

import numpy as np

from strikewatch.detectors import coverage, firing, pose
from strikewatch.detectors.base import Older
from strikewatch.detectors.registry import DETECTORS
from strikewatch.engine import grouping
from strikewatch.engine.attribution import OPERATORS, TOOLS, widen

PARTS: Final[tuple[tuple[str, int, np.dtype[Any], Mapping[str, Any]], ...]] = (
    ("reading", 1, firing.STATE, firing.FRESH),
    *((d.name, d.version, d.state, d.fresh) for d in DETECTORS),
    *((part.name, part.version, part.dtype, {}) for part in (OPERATORS, TOOLS)),
    (grouping.NAME, grouping.VERSION, grouping.STATE, {}),
    (coverage.NAME, coverage.VERSION, coverage.STATE, coverage.FRESH),
    (pose.NAME, pose.VERSION, pose.STATE, pose.FRESH),
)
STATE: Final = np.dtype([(name, dtype) for name, _, dtype, _ in PARTS])
LAYOUT: Final = " ".join(f"{name}/{version}:{dtype.itemsize}" for name, version, dtype, _ in PARTS)
"""The layout of the saved bytes: part/version:size in order, little-endian.

Part names never change, or states saved under them would be lost.
"""


_Reader = tuple[np.dtype[Any], Callable[[Any], Any]]
"""An earlier layout of a part, and the function that converts such a record to the current layout [1]."""


def split(layout: str, state: bytes) -> Iterator[tuple[str, bytes]]:
    """Yield the parts of a saved state: (part/version:size, bytes). A part that is cut off ends it."""
    for part, begin, end in _places(layout):
        if end > len(state):
            return
        yield part, state[begin:end]


@lru_cache(maxsize=64)
def _places(layout: str) -> list[tuple[str, int, int]]:
    """Return (part/version:size, begin, end) of each part of a layout."""
    parts = layout.split()
    ends = list(accumulate(int(part.rpartition(":")[2]) for part in parts))
    return list(zip(parts, [0, *ends], ends, strict=False))


def saved_parts(layout: str, state: bytes) -> dict[str, Any]:
    """Read the parts of a saved state: name → record in the current layout (read-only), without unreadable parts."""
    found: dict[str, Any] = {}
    current = set(LAYOUT.split())
    for part, saved in split(layout, state):
        name = part.partition("/")[0]
        if part in current:
            found[name] = np.frombuffer(saved, STATE[name])[0]
        elif part in OLDER:
            dtype, convert = OLDER[part]
            found[name] = convert(np.frombuffer(saved, dtype)[0])[0]
    return found


def restored(layout: str, state: bytes) -> tuple[Any, list[str]]:
    """Return a saved state as STATE [1], and the names of the parts that cannot be read and start from zero."""
    if (
        layout.startswith(f"{LAYOUT} ") and len(state) >= STATE.itemsize
    ):  # the usual case, and 20 times faster
        return np.frombuffer(bytearray(state[: STATE.itemsize]), STATE), []
    record = fresh()
    saved = saved_parts(layout, state)
    for name, part in saved.items():
        record[name] = part
    return record, [name for name, *_ in PARTS if name not in saved]


def part_of(layout: str, state: bytes, name: str) -> Any:
    """Read one part of a saved state; None if it is missing or in a version that cannot be read."""
    return saved_parts(layout, state).get(name)


def fresh() -> Any:
    """Return the state of a hammer not seen yet: STATE [1]."""
    record = np.zeros(1, STATE)
    for name, _, _, fields in PARTS:
        for field, value in fields.items():
            record[name][field] = value
    return record


def _convert_older(name: str, older: Older, record: Any) -> Any:
    current = fresh()[name]
    for field, value in older.carry_over(record).items():
        current[field] = value
    return current


OLDER: Final[Mapping[str, _Reader]] = {
    **{
        f"{d.name}/{version}:{older.layout.itemsize}": (older.layout, partial(_convert_older, d.name, older))
        for d in DETECTORS
        for version, older in d.older.items()
    },
    **{
        layout: (older, partial(widen, dtype=part.dtype))
        for part in (OPERATORS, TOOLS)
        for layout, older in part.older.items()
    },
}
"""Earlier layouts of parts that can still be read, by part/version:size."""
