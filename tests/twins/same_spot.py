"""same_spot: continuous firing in one spot, read slowly."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins.knowledge import Record, Row, Span, admitted, firing, known, length, reached, value_at
from tests.twins.pose import placed
from tests.twins.whose import operator_at


@dataclass
class Spot:
    """`place`: the first known tool tip while firing in it. `end` is certain from `certain` on."""

    begin: int
    place: tuple[float, float] | None = None
    fired: list[Span] = field(default_factory=list)
    end: int = 0
    certain: int = 0


def spots(
    rows: Sequence[Row],
    *,
    reposition_s: float = 2.0,
    spot_radius_m: float = 0.5,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
) -> list[Spot]:
    """All spots in order."""
    xs, ys = known(rows, "tool_x_m"), known(rows, "tool_y_m")
    pause = seconds(reposition_s)
    found: list[Spot] = []
    spot: Spot | None = None
    for start, end in firing(rows, on_bar=on_bar, off_bar=off_bar):
        if spot is not None and start - spot.fired[-1][1] >= pause:
            spot = None
        if spot is None:
            spot = Spot(start)
            found.append(spot)
        since = start
        for row in rows:
            now = row.time_ns
            x, y = value_at(xs, now), value_at(ys, now)
            if not start <= now < end or x is None or y is None:
                continue
            if spot.place is None:
                spot.place = (x, y)
            elif math.hypot(x - spot.place[0], y - spot.place[1]) > spot_radius_m:
                spot.fired.append((since, now))
                spot.end = spot.certain = now
                spot = Spot(now, (x, y))
                found.append(spot)
                since = now
        spot.fired.append((since, end))
        spot.end = end
        spot.certain = end + pause
    return found


def find(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    limit_s: float = 15.0,
    reposition_s: float = 2.0,
    spot_radius_m: float = 0.5,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
    arm: Mapping[str, Any] | None = None,
) -> list[Record]:
    """`arm`: the carrier's lengths, for feeds that tell angles."""
    limit = seconds(limit_s)
    rows = placed(rows, **arm) if arm else admitted(rows)
    records = []
    for spot in spots(
        rows, reposition_s=reposition_s, spot_radius_m=spot_radius_m, on_bar=on_bar, off_bar=off_bar
    ):
        onset = reached(spot.fired, spot.begin, limit)
        if onset is None or onset > end:
            continue
        fired = length(spot.fired, spot.begin, end)
        records.append(
            Record(
                fault="same_spot",
                onset=onset,
                cleared=spot.end if spot.certain <= end else None,
                priority="high" if fired >= 2 * limit else "medium",
                operator=operator_at(events, onset),
                evidence={"firing_s": fired / SECOND},
            )
        )
    return records
