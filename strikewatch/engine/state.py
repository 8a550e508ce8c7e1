"""One hammer's state: a record with a part for each detector, and as bytes of a named layout."""

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, Final

import numpy as np

from strikewatch.detectors import coverage, firing, pose
from strikewatch.detectors.base import Older
from strikewatch.detectors.registry import DETECTORS
from strikewatch.engine import as_of, fitted_tool, grouping, operator_on_duty

PARTS: Final[tuple[tuple[str, int, np.dtype[Any], Mapping[str, Any]], ...]] = (
    ("reading", 1, firing.STATE, firing.FRESH),
    *((d.name, d.version, d.state, d.fresh) for d in DETECTORS),
    (operator_on_duty.NAME, operator_on_duty.VERSION, operator_on_duty.STATE, {}),
    (fitted_tool.NAME, fitted_tool.VERSION, fitted_tool.STATE, {}),
    (grouping.NAME, grouping.VERSION, grouping.STATE, {}),
    (coverage.NAME, coverage.VERSION, coverage.STATE, coverage.FRESH),
    (pose.NAME, pose.VERSION, pose.STATE, pose.FRESH),
)
STATE: Final = np.dtype([(name, dtype) for name, _, dtype, _ in PARTS])
RAW: Final = np.dtype((np.void, STATE.itemsize))
"""The same record as a lump: numpy copies lumps far faster than nested fields."""
LAYOUT: Final = " ".join(f"{name}/{version}:{dtype.itemsize}" for name, version, dtype, _ in PARTS)
"""Names the layout of one hammer's state as bytes: part/version:size, in order, little-endian."""


_Reader = tuple[np.dtype[Any], Callable[[Any], Any]]
"""An earlier layout of a part, and what makes the present record [1] of it."""


def saved_parts(layout: str, state: bytes) -> dict[str, Any]:
    """Each part of a saved state that can be read, by name: its record in the present layout, not to be changed."""
    found: dict[str, Any] = {}
    present = set(LAYOUT.split())
    offset = 0
    for part in layout.split():
        name, size = part.partition("/")[0], int(part.rpartition(":")[2])
        if offset + size > len(state):
            break
        if part in present:
            found[name] = np.frombuffer(state, STATE[name], 1, offset)[0]
        elif part in OLDER:
            dtype, carry_over = OLDER[part]
            found[name] = carry_over(np.frombuffer(state, dtype, 1, offset)[0])[0]
        offset += size
    return found


def part_of(layout: str, state: bytes, name: str) -> Any:
    """One part's record in a saved state; None where the state has it not, or in a version that cannot be read."""
    return saved_parts(layout, state).get(name)


def fresh() -> Any:
    record = np.zeros(1, STATE)
    for name, _, _, fields in PARTS:
        for field, value in fields.items():
            record[name][field] = value
    return record


def _carried_over(name: str, older: Older, record: Any) -> Any:
    present = fresh()[name]
    for field, value in older.carry_over(record).items():
        present[field] = value
    return present


OLDER: Final[Mapping[str, _Reader]] = {
    **{
        f"{d.name}/{version}:{older.layout.itemsize}": (older.layout, partial(_carried_over, d.name, older))
        for d in DETECTORS
        for version, older in d.older.items()
    },
    **{
        part: (older, partial(as_of.widened, dtype=STATE[name]))
        for name, layouts in (
            (operator_on_duty.NAME, operator_on_duty.OLDER),
            (fitted_tool.NAME, fitted_tool.OLDER),
        )
        for part, older in layouts.items()
    },
}
"""Parts of earlier layouts that can still be read."""
