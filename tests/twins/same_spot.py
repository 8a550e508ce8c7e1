"""Slow twin of same_spot, with the tool tip from the angles of the arm."""

import math
from cmath import rect
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins.signals import (
    Record,
    Row,
    Span,
    accepted,
    firing_spans,
    held_values,
    instant_of_length,
    length_within,
    operator_at,
    samples,
    value_at,
)

ANGLES: Final = ("boom_deg", "stick_deg", "bucket_deg", "swing_deg")


def tool_tip(
    angles_deg: Sequence[float],
    *,
    boom_m: float,
    stick_m: float,
    tool_m: float,
    boom_foot_m: float,
    angles: str,
) -> complex:
    """Return the position of the tool, seen from above: x + iy, m."""
    boom, stick, tool, swing = map(math.radians, angles_deg)
    if angles == "joint":
        stick += boom
        tool += stick
    reach = boom_foot_m + rect(boom_m, boom) + rect(stick_m, stick) + rect(tool_m, tool)
    return reach.real * rect(1.0, swing)


def with_positions(
    rows: Sequence[Row],
    *,
    boom_m: float,
    stick_m: float,
    tool_m: float,
    boom_foot_m: float,
    angles: str = "joint",
) -> list[Row]:
    """Return the accepted rows with positions derived from their angles, unless the feed has positions."""
    rows = accepted(rows)
    if samples(rows, "tool_x_m") or samples(rows, "tool_y_m"):
        return rows
    pieces = [held_values(rows, name) for name in ANGLES]
    sampled = {time for name in ANGLES for time, _ in samples(rows, name)}
    complete = []
    for row in rows:
        values = [value_at(held, row.time_ns) for held in pieces]
        angles_deg = [value for value in values if value is not None]
        if row.time_ns in sampled and len(angles_deg) == len(ANGLES):
            position = tool_tip(
                angles_deg,
                boom_m=boom_m,
                stick_m=stick_m,
                tool_m=tool_m,
                boom_foot_m=boom_foot_m,
                angles=angles,
            )
            row = Row(row.time_ns, {**row.values, "tool_x_m": position.real, "tool_y_m": position.imag})
        complete.append(row)
    return complete


@dataclass
class Spot:
    """A spot. `place`: the first known tool tip while firing in it. `end` is known from `certain` on."""

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
    """Return all spots in order."""
    xs, ys = held_values(rows, "tool_x_m"), held_values(rows, "tool_y_m")
    pause = seconds(reposition_s)
    found: list[Spot] = []
    spot: Spot | None = None
    for start, end in firing_spans(rows, on_bar=on_bar, off_bar=off_bar):
        if spot is not None and start - spot.fired[-1][1] >= pause:
            spot = None
        if spot is None:
            spot = Spot(start)
            found.append(spot)
        since = start
        for row in rows:
            now = row.time_ns
            if not start <= now < end:
                continue
            x, y = value_at(xs, now), value_at(ys, now)
            if x is None or y is None:
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
    """Find same_spot. `arm`: the lengths of the carrier's arm, for feeds with angles."""
    limit = seconds(limit_s)
    rows = with_positions(rows, **arm) if arm else accepted(rows)
    records = []
    for spot in spots(
        rows, reposition_s=reposition_s, spot_radius_m=spot_radius_m, on_bar=on_bar, off_bar=off_bar
    ):
        onset = instant_of_length(spot.fired, spot.begin, limit)
        if onset is None or onset > end:
            continue
        fired = length_within(spot.fired, spot.begin, end)
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
