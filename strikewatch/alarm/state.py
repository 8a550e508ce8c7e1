"""One hammer's state: a record with a part for each detector, and as bytes of a named layout."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from strikewatch.alarm import crew, position, roster, tool
from strikewatch.detect import DETECTORS, coverage, pose, reading

PARTS: Final[tuple[tuple[str, int, np.dtype[Any], Mapping[str, Any]], ...]] = (
    ("reading", 1, reading.STATE, reading.FRESH),
    *((d.name, d.version, d.state, d.fresh) for d in DETECTORS),
    (crew.NAME, crew.VERSION, crew.STATE, {}),
    (tool.NAME, tool.VERSION, tool.STATE, {}),
    (position.NAME, position.VERSION, position.STATE, {}),
    (coverage.NAME, coverage.VERSION, coverage.STATE, coverage.FRESH),
    (pose.NAME, pose.VERSION, pose.STATE, pose.FRESH),
)
STATE: Final = np.dtype([(name, dtype) for name, _, dtype, _ in PARTS])
RAW: Final = np.dtype((np.void, STATE.itemsize))
"""The same record as a lump: numpy copies lumps far faster than nested fields."""
LAYOUT: Final = " ".join(f"{name}/{version}:{dtype.itemsize}" for name, version, dtype, _ in PARTS)
"""Names the layout of one hammer's state as bytes: part/version:size, in order, little-endian."""


_OLDER: Final = {
    part: (STATE[name], older)
    for name, layouts in ((crew.NAME, crew.OLDER), (tool.NAME, tool.OLDER))
    for part, older in layouts.items()
}


def parts(layout: str, state: bytes) -> dict[str, Any]:
    """The parts of a saved state by name, each a record of `STATE`; those of a version no longer read are left out."""
    found: dict[str, Any] = {}
    present = set(LAYOUT.split())
    offset = 0
    for part in layout.split():
        name, size = part.partition("/")[0], int(part.rpartition(":")[2])
        if offset + size > len(state):
            break
        if part in present:
            found[name] = np.frombuffer(state, STATE[name], 1, offset)[0]
        elif part in _OLDER:
            dtype, older = _OLDER[part]
            found[name] = roster.widened(np.frombuffer(state, older, 1, offset)[0], dtype)[0]
        offset += size
    return found


def part_of(layout: str, state: bytes, name: str) -> Any:
    """One part's record in a saved state, not to be changed; None where there is none that is still read."""
    return parts(layout, state).get(name)


def fresh() -> Any:
    record = np.zeros(1, STATE)
    for name, _, _, fields in PARTS:
        for field, value in fields.items():
            record[name][field] = value
    return record
