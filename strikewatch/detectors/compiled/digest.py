"""The digest of a tile of rows: each column is read once, in loops that hold nothing but integer reductions.

It imports numba: import it only to compile.
"""

from typing import Any, Final

import numpy as np
from numba.cpython.unsafe import numbers

from strikewatch.core.channels import CHANNELS
from strikewatch.detectors.kernels import NEVER, part, unchecked
from strikewatch.detectors.tiles import (
    HIGHEST_ORDER,
    HOLD_ACTIVE,
    LOWEST_ORDER,
    WITH_STEPS,
    from_order,
    order,
)

trailing_zeros: Final[Any] = numbers.trailing_zeros
_HOLD_PRESSURE: Final = CHANNELS["pressure_bar"].hold_ns
_LOW: Final = np.array([channel.low for channel in CHANNELS.values()])
_HIGH: Final = np.array([channel.high for channel in CHANNELS.values()])
_BOOLEAN: Final = np.array([channel.boolean for channel in CHANNELS.values()])
_STEPS: Final = np.array([name in WITH_STEPS for name in CHANNELS])
_WORD: Final = 64
"""Rows in a word of `read_bits`."""


@part
def widest_step(time_ns: Any, first: int, last: int) -> int:
    """Return the largest step from row to row of first..last-1, ns."""
    widest = 0
    for i in range(np.uintp(first), np.uintp(last - 1)):
        widest = max(widest, time_ns[i + np.uintp(1)] - time_ns[i])
    return widest


@part
def bound(
    tile: Any, whole: Any, first: int, most: int, first_event: int, report: bool, time_ns: Any, events: Any
) -> None:
    """Set the bounds of the next tile of `whole`, which has `last`, `upto` and `last_event`, after `since`."""
    tile.first = first
    tile.last = min(first + most, whole.last)
    ends = tile.last == whole.last
    tile.upto = whole.upto if ends else unchecked(time_ns, tile.last - 1)
    tile.first_event = first_event
    tile.last_event = whole.last_event
    if not ends:
        tile.last_event = first_event
        while tile.last_event < whole.last_event and events[tile.last_event].at <= tile.upto:
            tile.last_event += 1
    tile.report = report and ends
    has_rows = tile.last > tile.first
    tile.first_at = unchecked(time_ns, tile.first) if has_rows else tile.upto
    tile.last_at = unchecked(time_ns, tile.last - 1) if has_rows else tile.since
    tile.widest = widest_step(time_ns, tile.first, tile.last) if has_rows else 0


@part
def clear(digest: Any) -> None:
    """Make the digest of a column without values."""
    digest.n = 0
    digest.lowest = np.inf
    digest.highest = -np.inf
    digest.widest = 0


@part
def digest_column(digest: Any, values: Any, first: int, last: int) -> None:
    """Write the number, the extremes and the first and last row of the values of rows first..last-1."""
    n = 0
    lowest = HIGHEST_ORDER
    highest = LOWEST_ORDER
    for i in range(np.uintp(first), np.uintp(last)):
        value = values[i]
        known = value == value
        number = order(value)
        lowest = min(lowest, number if known else HIGHEST_ORDER)
        highest = max(highest, number if known else LOWEST_ORDER)
        n += known
    if n == 0:
        clear(digest)
        return
    digest.n = n
    digest.lowest = from_order(lowest)
    digest.highest = from_order(highest)
    i = first
    while unchecked(values, i) != unchecked(values, i):
        i += 1
    digest.first = i
    i = last - 1
    while unchecked(values, i) != unchecked(values, i):
        i -= 1
    digest.last = i


@part
def digest_steps(digest: Any, tile: Any, time_ns: Any, values: Any) -> None:
    """Write the largest step from value to value."""
    if digest.n == tile.last - tile.first:
        digest.widest = tile.widest
        return
    if digest.n == 0:
        return
    widest = 0
    before = unchecked(time_ns, digest.first)
    base = digest.first
    while base <= digest.last:
        rows = min(_WORD, digest.last + 1 - base)
        known = np.uint64(0)
        for k in range(np.uintp(rows)):
            value = values[np.uintp(base) + k]
            known |= np.uint64(value == value) << np.uint64(k)
        while known:
            now = unchecked(time_ns, base + np.int64(trailing_zeros(known)))
            known &= known - np.uint64(1)
            widest = max(widest, now - before)
            before = now
        base += _WORD
    digest.widest = widest


@part
def is_impossible(k: int, digest: Any, values: Any, first: int, last: int) -> bool:
    """Tell whether any value of channel k is physically impossible; a boolean channel allows 0 and 1 only."""
    if digest.lowest < _LOW[k] or digest.highest > _HIGH[k]:
        return True
    if _BOOLEAN[k]:
        for i in range(first, last):
            value = unchecked(values, i)
            if value > _LOW[k] and value < _HIGH[k]:
                return True
    return False


@part
def has_steps(k: int) -> bool:
    """Tell whether the digest of channel k has the steps between its values."""
    return _STEPS[k]  # type: ignore[no-any-return]


@part
def read_bits(active: Any, first: int, last: int, bits: Any) -> int:
    """Write one bit a row, whether `active` is 1, in words of 64 rows; return how many rows are neither 0 nor 1."""
    ones: Any
    k: Any
    other = 0
    word = np.uintp(0)
    i = np.uintp(first)
    end = np.uintp(last)
    while i + np.uintp(_WORD) <= end:
        ones = np.uint64(0)
        for k in range(np.uintp(_WORD)):
            value = active[i + k]
            ones |= np.uint64(value == 1.0) << np.uint64(k)
            other += (value != 0.0) & (value != 1.0)
        bits[word] = ones
        word += np.uintp(1)
        i += np.uintp(_WORD)
    ones = np.uint64(0)
    k = np.uint64(0)
    while i < end:
        value = active[i]
        ones |= np.uint64(value == 1.0) << k
        other += (value != 0.0) & (value != 1.0)
        k += np.uint64(1)
        i += np.uintp(1)
    if k:
        bits[word] = ones
    return other


@part
def add_run(tile: Any, runs: Any, start: int, end: int, first: int, last: int) -> None:
    """Write a run of firing after those of the tile."""
    run = runs[np.uintp(tile.runs)]
    run.start = start
    run.end = end
    run.first = first
    run.last = last
    tile.runs += 1
    tile.fired += end - start


@part
def _end_bout(firing: Any, at: int) -> None:
    """End the bout under way, if there is one, in the state of `firing`."""
    if firing.began != NEVER:
        firing.fired += at - firing.began
        firing.began = NEVER


@part
def runs_from_bits(tile: Any, firing: Any, time_ns: Any, bits: Any, runs: Any) -> None:
    """Write the runs of firing of a tile in which every row says on or off and no step is longer than the hold."""
    fires = firing.until > tile.since
    start = tile.since
    first = tile.first
    if firing.until < tile.first_at:
        if fires:
            add_run(tile, runs, start, firing.until, first, first)
            fires = False
        _end_bout(firing, firing.until)
    was_on = np.uint64(fires)
    base = tile.first
    word = np.uintp(0)
    while base < tile.last:
        ones = bits[word]
        edges = ones ^ ((ones << np.uint64(1)) | was_on)
        if tile.last - base < _WORD:
            edges &= (np.uint64(1) << np.uint64(tile.last - base)) - np.uint64(1)
        while edges:
            i = base + np.int64(trailing_zeros(edges))
            edges &= edges - np.uint64(1)
            at = unchecked(time_ns, i)
            if fires:
                add_run(tile, runs, start, at, first, i)
                _end_bout(firing, at)
            else:
                start = at
                first = i
                if firing.began == NEVER:
                    firing.began = at
            fires = not fires
        was_on = ones >> np.uint64(_WORD - 1)
        word += np.uintp(1)
        base += _WORD
    firing.on = fires
    firing.has_active = 1
    firing.until = tile.last_at + HOLD_ACTIVE if fires else tile.last_at
    if fires:
        add_run(tile, runs, start, min(firing.until, tile.upto), first, tile.last)


@part
def runs_by_row(
    tile: Any,
    firing: Any,
    params: Any,
    time_ns: Any,
    active: Any,
    pressure_bar: Any,
    runs: Any,
    firing_ends: Any,
) -> None:
    """Write the runs of firing of any tile, and `firing_ends` (see `tiles.firing_by_row`)."""
    until = firing.until
    on = firing.on
    has_active = firing.has_active
    fires = until > tile.since
    start = tile.since
    first = tile.first
    firing_ends[np.uintp(tile.first)] = until
    for i in range(tile.first, tile.last):
        now = unchecked(time_ns, i)
        if until < now:
            if fires:
                add_run(tile, runs, start, until, first, i)
                fires = False
            _end_bout(firing, until)
        value = unchecked(active, i) if active.size else np.nan
        if value == value:
            has_active = 1
            on = 1 if value >= 0.5 else 0
            until = now + HOLD_ACTIVE if on else now
        elif not has_active and pressure_bar.size:
            pressure = unchecked(pressure_bar, i)
            if pressure == pressure:
                if pressure >= params.on_bar:
                    on = 1
                elif pressure < params.off_bar:
                    on = 0
                until = now + _HOLD_PRESSURE if on else now
        if until > now:
            if firing.began == NEVER:
                firing.began = now
            if not fires:
                fires = True
                start = now
                first = i
        else:
            if fires:
                add_run(tile, runs, start, now, first, i)
                fires = False
            _end_bout(firing, now)
        firing_ends[np.uintp(i + 1)] = until
    if fires:
        add_run(tile, runs, start, min(until, tile.upto), first, tile.last)
    firing.until = until
    firing.on = on
    firing.has_active = has_active
    tile.by_row = 1
