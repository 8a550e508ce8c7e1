"""What a detector is given: a tile of rows with a digest of each column, and the runs of firing in it.

A hammer's new rows are taken in tiles of up to TILE_ROWS. The rows of a tile divide the time from its previous
watermark `since` to its new one `upto` into intervals [start, end). Within an interval every channel keeps its value,
except where its hold time runs out:

    since ── row first ── row first+1 ── … ── row last-1 ── upto
      first interval                           last interval

`upto` is the instant of the last row, except in a hammer's last tile of a step, which may have no rows at all. Every
tile is a cut like those between steps, so results do not depend on where tiles begin. The last interval may be empty;
values known at its instant still count.

A detector takes a tile in two functions (see `base.Detector`):

    quiet(tile, state, params, rows, *columns) -> bool
        Tell whether nothing can happen in the tile, by the digests of its columns. If so, leave in `state` what `run`
        would leave, byte for byte.
    run(tile, state, params, rows, *columns, out)
        Take the tile by rows or by runs of firing; write findings with `emit`.

Where:
    tile: a record of TILE.
    state, params: the records of one hammer.
    rows: `Rows`: times, runs of firing, events. Rows and events are indexed as in the whole step.
    columns: a `Column` for each channel in the detector's `reads`, in that order.
    out: collects findings.

Everything in a digest is an integer reduction, or the choice of a row. These are associative, so the compiler makes
vectors of them, and results are exact whatever the order. A sum of floats is not; see `fixed_sum`.
"""

import math
from typing import Any, Final, NamedTuple

import numpy as np

from strikewatch.core.channels import CHANNELS
from strikewatch.detectors.kernels import NEVER, part, unchecked

TILE_ROWS: Final = 4096
"""Long enough to be read from memory at its speed, and short enough that the detectors find it in the cache."""
PART_ROWS: Final = 128
"""A tile that is not quiet for a detector is given to it in parts of this size, of which most may be quiet."""

TILE: Final = np.dtype(
    [
        ("group", "<i8"),  # number of the hammer in the step
        ("slot", "<i8"),  # index of the hammer's record of `params`
        ("since", "<i8"),  # previous watermark
        ("upto", "<i8"),  # new watermark
        ("first", "<i8"),  # its rows are first..last-1
        ("last", "<i8"),
        ("first_event", "<i8"),  # its events are first_event..last_event-1
        ("last_event", "<i8"),
        ("report", "<i8"),  # whether to report faults active at `upto` with their evidence up to there
        ("first_at", "<i8"),  # instant of the first row; `upto` without rows
        ("last_at", "<i8"),  # instant of the last row; `since` without rows
        ("widest", "<i8"),  # largest step from row to row, ns; 0 with fewer than two rows
        ("runs", "<i8"),  # number of runs of firing
        ("fired", "<i8"),  # sum of their lengths, ns
        ("fires_before", "<i8"),  # how long it was known to fire at `since`, without the tile's rows
        ("fires_until", "<i8"),  # how long it is known to fire after the last row; may be after `upto`
        ("by_row", "<i8"),  # whether `firing_ends` is filled
    ]
)
RUN: Final = np.dtype(
    [
        (
            "start",
            "<i8",
        ),  # it fires from `start` to `end`; both lie in the tile, and are equal only at `upto`
        ("end", "<i8"),
        ("first", "<i8"),  # it fires at rows first..last-1 (none, if it is over before the first row)
        ("last", "<i8"),
    ]
)
"""A run of firing within a tile: one that goes on in the next tile is continued there as another run."""
DIGEST: Final = np.dtype(
    [
        ("n", "<i8"),  # rows with a value
        ("lowest", "<f8"),  # of the values; inf without any
        ("highest", "<f8"),  # -inf without any
        ("first", "<i8"),  # first and last row with a value; meaningless without any
        ("last", "<i8"),
        ("widest", "<i8"),  # largest step from value to value, ns; only for channels of WITH_STEPS
    ]
)
WITH_STEPS: Final = ("pressure_bar", "oil_c", "engine_rpm")
"""Channels whose digest has the steps between their values."""
NOTHING: Final = len(CHANNELS)
"""Index of the channel that no feed has."""


class Column(NamedTuple):
    """One channel in a tile: its values, indexed as in the whole step, and its digest (see DIGEST).

    `values` has NaN where not sampled, and no elements if no hammer of the step has the channel.
    """

    values: Any
    n: Any
    lowest: Any
    highest: Any
    first: Any
    last: Any
    widest: Any


class Rows(NamedTuple):
    """The input that is not a channel.

    `runs`: records of RUN, tile.runs of them. `bad` and `good`: see `engine.inputs`; without elements if no value is
    impossible. `firing_ends`: use `firing_by_row`.
    """

    time_ns: Any
    runs: Any
    events: Any
    bad: Any
    good: Any
    firing_ends: Any


HOLD_ACTIVE: Final = CHANNELS["active"].hold_ns


@part
def firing_by_row(tile: Any, rows: Any) -> Any:
    """Return how long the hammer is known to fire in each interval, indexed by the row at which the interval ends.

    With `fires_until` = firing_ends[i] the hammer fires at the start of the interval that ends with row i if
    `fires_until` > start, and then on [start, min(fires_until, end)). Index tile.last is the interval up to `upto`.
    """
    if not tile.by_row:
        rows.firing_ends[np.uintp(tile.first)] = tile.fires_before
        for i in range(tile.first, tile.last):
            rows.firing_ends[np.uintp(i + 1)] = unchecked(rows.time_ns, i)
        for k in range(tile.runs):
            run = rows.runs[k]
            for i in range(run.first, run.last):
                rows.firing_ends[np.uintp(i + 1)] = unchecked(rows.time_ns, i) + HOLD_ACTIVE
        tile.by_row = 1
    return rows.firing_ends


@part
def interval(tile: Any, rows: Any, i: int) -> Any:
    """Return start and end of the interval that begins with row i; with tile.first - 1, that begins with `since`."""
    start = unchecked(rows.time_ns, i) if i >= tile.first else tile.since
    end = unchecked(rows.time_ns, i + 1) if i + 1 < tile.last else tile.upto
    return start, end


@part
def value_at(tile: Any, column: Any, i: int) -> float:
    """Return the value of row i; NaN where not sampled, and before the tile's first row."""
    if i < tile.first or column.n == 0:
        return math.nan
    return unchecked(column.values, i)  # type: ignore[no-any-return]


@part
def newest(rows: Any, column: Any) -> Any:
    """Return the newest value of a column and its instant; NaN without one."""
    if column.n == 0:
        return math.nan, NEVER
    return unchecked(column.values, column.last), unchecked(rows.time_ns, column.last)


@part
def known_throughout(tile: Any, rows: Any, column: Any, known_until: int, hold: int) -> bool:
    """Tell whether a channel is known from `since` to `upto`; `known_until`: how long it is without the tile's rows."""
    if column.n == 0:
        return known_until >= tile.upto  # type: ignore[no-any-return]
    return (  # type: ignore[no-any-return]
        known_until >= unchecked(rows.time_ns, column.first)
        and column.widest <= hold
        and unchecked(rows.time_ns, column.last) + hold >= tile.upto
    )


@part
def fired_since(tile: Any, rows: Any, start: int) -> int:
    """Return the firing time in the tile from `start` on, ns."""
    fired = 0
    k = tile.runs - 1
    while k >= 0 and rows.runs[k].end > start:
        fired += rows.runs[k].end - max(start, rows.runs[k].start)
        k -= 1
    return fired


_FINE: Final = 20
_SHIFT: Final = 1.5 * 2.0 ** (52 - _FINE)
_SHIFT_BITS: Final = int(np.float64(_SHIFT).view(np.int64))
UNIT: Final = 2.0**-_FINE
"""What `fixed_sum` counts in."""


@part
def fixed_sum(values: Any, first: int, last: int) -> Any:
    """Return the sum of rows first..last-1 in UNITs, and the number of values: exact, whatever the order.

    Each value is rounded to 2^-20; its absolute value must be below 2^30. The low bits of x + 1.5 * 2^32 as a float are
    round(x * 2^20).
    """
    total: Any = 0
    n = 0
    for i in range(np.uintp(first), np.uintp(last)):
        value = values[i]
        known = value == value
        total += np.float64(value + _SHIFT).view(np.int64) - _SHIFT_BITS if known else 0
        n += known
    return total, n


@part
def highest_of(values: Any, first: int, last: int) -> float:
    """Return the highest value of rows first..last-1; -inf if none has one."""
    highest: Any = LOWEST_ORDER
    for i in range(np.uintp(first), np.uintp(last)):
        value = values[i]
        highest = max(highest, order(value) if value == value else LOWEST_ORDER)
    return from_order(highest) if highest > LOWEST_ORDER else -math.inf


LOWEST_ORDER: Final = -(1 << 63)
HIGHEST_ORDER: Final = (1 << 63) - 1


@part
def order(value: float) -> int:
    """Return an integer that is larger for a larger value."""
    bits = np.float64(value).view(np.int64)
    return bits ^ ((bits >> 63) & HIGHEST_ORDER)  # type: ignore[return-value]


@part
def from_order(number: int) -> float:
    """Return the value that `order` made this number from."""
    return np.int64(number ^ ((number >> 63) & HIGHEST_ORDER)).view(np.float64)
