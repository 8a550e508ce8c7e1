"""One hammer's state: a record with a part for each detector, and as bytes of a named layout."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from strikewatch.alarm import crew, position, tool
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


def part_of(layout: str, state: bytes, name: str) -> Any:
    """One part's record in a saved state, read-only; None where the state has it not, or in another version."""
    offset = 0
    for part, size in ((one, int(one.rpartition(":")[2])) for one in layout.split()):
        if part.startswith(f"{name}/"):
            mine = part in LAYOUT.split()
            return np.frombuffer(state, STATE[name], 1, offset)[0] if mine else None
        offset += size
    return None


def fresh() -> Any:
    record = np.zeros(1, STATE)
    for name, _, _, fields in PARTS:
        for field, value in fields.items():
            record[name][field] = value
    return record
