"""The tool tip from the arm's angles, read slowly."""

import math
from cmath import rect
from collections.abc import Sequence
from typing import Final

from tests.twins.knowledge import Row, admitted, known, samples, value_at

ANGLES: Final = ("boom_deg", "stick_deg", "bucket_deg", "swing_deg")


def tip(
    deg: Sequence[float], *, boom_m: float, stick_m: float, tool_m: float, boom_foot_m: float, angles: str
) -> complex:
    """Where the tool stands, seen from above: x + iy."""
    boom, stick, tool, swing = map(math.radians, deg)
    if angles == "joint":
        stick += boom
        tool += stick
    side = boom_foot_m + rect(boom_m, boom) + rect(stick_m, stick) + rect(tool_m, tool)
    return side.real * rect(1.0, swing)


def placed(
    rows: Sequence[Row],
    *,
    boom_m: float,
    stick_m: float,
    tool_m: float,
    boom_foot_m: float,
    angles: str = "joint",
) -> list[Row]:
    """The rows that are used, with the positions that their angles tell, unless the feed has positions itself."""
    rows = admitted(rows)
    if samples(rows, "tool_x_m") or samples(rows, "tool_y_m"):
        return rows
    pieces = [known(rows, name) for name in ANGLES]
    sampled = {time for name in ANGLES for time, _ in samples(rows, name)}
    complete = []
    for row in rows:
        deg = [value for value in (value_at(one, row.time_ns) for one in pieces) if value is not None]
        if row.time_ns in sampled and len(deg) == len(ANGLES):
            at = tip(
                deg, boom_m=boom_m, stick_m=stick_m, tool_m=tool_m, boom_foot_m=boom_foot_m, angles=angles
            )
            row = Row(row.time_ns, {**row.values, "tool_x_m": at.real, "tool_y_m": at.imag})
        complete.append(row)
    return complete
