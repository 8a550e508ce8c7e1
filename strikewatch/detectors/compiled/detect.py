"""The compiled step: it takes all rows tile by tile, digests each tile, and gives it to every detector.

Each detector is compiled by itself (see `entries`) and called by its address. So one call from Python takes a whole
step, and a tile is still in the processor's cache when the last detector reads it.

It imports numba: import it only to compile.
"""

from typing import Any, Final

import numpy as np

from strikewatch.core.channels import CHANNELS
from strikewatch.detectors import firing, pose
from strikewatch.detectors.compiled.digest import (
    bound,
    clear,
    digest_column,
    digest_steps,
    has_steps,
    is_impossible,
    read_bits,
    runs_by_row,
    runs_from_bits,
)
from strikewatch.detectors.compiled.memory import (
    FLOAT,
    INT,
    SIZE,
    WORDS,
    array_at,
    call_at,
    indexed_like_rows,
    record_at,
    state_address,
    values_of,
)
from strikewatch.detectors.compiled.step import DONE, FULL, IMPOSSIBLE, NOT_BEGUN, SPAN, STEP
from strikewatch.detectors.kernels import (
    CURSOR,
    EVENT,
    NEVER,
    WRITTEN,
    kernel,
    part,
    unchecked,
)
from strikewatch.detectors.tiles import (
    DIGEST,
    HOLD_ACTIVE,
    NOTHING,
    RUN,
    TILE,
    TILE_ROWS,
)

_CHANNELS: Final = tuple(CHANNELS)
_ACTIVE: Final = _CHANNELS.index("active")
_PRESSURE: Final = _CHANNELS.index("pressure_bar")
_TOOL_X: Final = _CHANNELS.index("tool_x_m")
_TOOL_Y: Final = _CHANNELS.index("tool_y_m")
_BOOM, _STICK, _BUCKET, _SWING = (_CHANNELS.index(name) for name in pose.ANGLES)
_FIRING_PARAMS: Final = firing.PARAMS.itemsize
_POSE_PARAMS: Final = pose.PARAMS.itemsize


@part
def _begin_tile(step: Any, tile: Any, span: Any, reading: Any, time_ns: Any, events: Any) -> None:
    """Set the bounds of the group's next tile."""
    if step.row == NOT_BEGUN:
        step.row = span.first
        step.event = span.first_event
    tile.since = reading.upto
    if reading.upto == NEVER:
        tile.since = unchecked(time_ns, step.row) if span.last > step.row else span.upto
    bound(tile, span, step.row, step.tile_rows, step.event, step.report, time_ns, events)


@part
def _digest(step: Any, tile: Any, digests: Any, time_ns: Any, bits: Any) -> bool:
    """Digest all columns; return whether there is an impossible value."""
    for k in range(NOTHING):
        digest = digests[k]
        if not step.columns[k] or tile.last == tile.first:
            clear(digest)
            continue
        values = values_of(step, k)
        if k == _ACTIVE and read_bits(values, tile.first, tile.last, bits) == 0:
            digest.n = tile.last - tile.first
            digest.lowest = 0.0
            digest.highest = 1.0
            digest.first = tile.first
            digest.last = tile.last - 1
            continue
        digest_column(digest, values, tile.first, tile.last)
        if digest.n > 0 and is_impossible(k, digest, values, tile.first, tile.last):
            return True
        if has_steps(k):
            digest_steps(digest, tile, time_ns, values)
    return False


@part
def _find_runs(step: Any, tile: Any, digests: Any, reading: Any, time_ns: Any, bits: Any, runs: Any) -> None:
    """Find the runs of firing."""
    tile.runs = 0
    tile.fired = 0
    tile.by_row = 0
    tile.fires_before = reading.until
    rows = tile.last - tile.first
    active = digests[_ACTIVE]
    if rows > 0 and active.n == rows and tile.widest <= HOLD_ACTIVE:
        runs_from_bits(tile, reading, time_ns, bits, runs)
    else:
        params = record_at(step.firing_params + tile.slot * _FIRING_PARAMS, firing.PARAMS)
        ends = indexed_like_rows(step.firing_ends, tile, INT)
        runs_by_row(
            tile, reading, params, time_ns, values_of(step, _ACTIVE), values_of(step, _PRESSURE), runs, ends
        )
    tile.fires_until = reading.until


@part
def _derive_position(step: Any, tile: Any, digests: Any, time_ns: Any) -> None:
    """Put a position derived from the arm's angles in place of the tool's, if the hammer's feed has none."""
    params = record_at(step.pose_params + tile.slot * _POSE_PARAMS, pose.PARAMS)
    if not params.arm or tile.last == tile.first:
        return
    state = record_at(state_address(step, tile) + step.pose_offset, pose.STATE)
    x = indexed_like_rows(step.tool_x_m, tile, FLOAT)
    y = indexed_like_rows(step.tool_y_m, tile, FLOAT)
    has_x, has_y = digests[_TOOL_X].n > 0, digests[_TOOL_Y].n > 0
    for i in range(tile.first, tile.last):
        x[np.uintp(i)] = unchecked(values_of(step, _TOOL_X), i) if has_x else np.nan
        y[np.uintp(i)] = unchecked(values_of(step, _TOOL_Y), i) if has_y else np.nan
    angles = (
        values_of(step, _BOOM),
        values_of(step, _STICK),
        values_of(step, _BUCKET),
        values_of(step, _SWING),
    )
    pose.derive(tile, state, params, time_ns, angles, x, y)
    step.columns[_TOOL_X] = step.tool_x_m - SIZE * tile.first
    step.columns[_TOOL_Y] = step.tool_y_m - SIZE * tile.first
    digest_column(digests[_TOOL_X], x, tile.first, tile.last)
    digest_column(digests[_TOOL_Y], y, tile.first, tile.last)


@part
def _has_room(step: Any, tile: Any) -> bool:
    """Tell whether there is room for all that the detectors can find in the tile."""
    rows, events = tile.last - tile.first, tile.last_event - tile.first_event
    most = step.detectors * (4 * (rows + 1 + 4 * events) + 40)
    return array_at(step.cursor, CURSOR, INT)[WRITTEN] + most <= step.capacity  # type: ignore[no-any-return]


@part
def _take_group(step: Any, tile: Any, span: Any) -> int:
    """Take the rows of one hammer from where it stands."""
    tile.group = step.group
    tile.slot = span.slot
    time_ns = array_at(step.time_ns, step.rows, INT)
    events = array_at(step.events, span.last_event, EVENT)
    digests = array_at(step.digests, NOTHING + 1, DIGEST)
    bits = array_at(step.bits, TILE_ROWS // 64 + 1, WORDS)
    runs = array_at(step.runs, TILE_ROWS + 2, RUN)
    state = state_address(step, tile)
    reading = record_at(state + step.firing_offset, firing.STATE)
    sampled_at = array_at(state + step.coverage_offset, NOTHING, INT)
    own_x, own_y = step.columns[_TOOL_X], step.columns[_TOOL_Y]
    while True:
        _begin_tile(step, tile, span, reading, time_ns, events)
        if not _has_room(step, tile):
            return FULL
        if _digest(step, tile, digests, time_ns, bits):
            return IMPOSSIBLE
        for k in range(NOTHING):
            if digests[k].n > 0:
                sampled_at[k] = unchecked(time_ns, digests[k].last)
        _find_runs(step, tile, digests, reading, time_ns, bits, runs)
        _derive_position(step, tile, digests, time_ns)
        for k in range(step.detectors):
            step.detector = k
            call_at(step.run[k], step.own)
        step.columns[_TOOL_X], step.columns[_TOOL_Y] = own_x, own_y
        reading.upto = tile.upto
        step.row = tile.last
        step.event = tile.last_event
        if tile.last == span.last:
            return DONE


@kernel
def detect(address: int) -> int:
    """Take a step from where it stands, by the address of its record; return DONE, FULL or IMPOSSIBLE."""
    step = record_at(address, STEP)
    tile = record_at(step.tile, TILE)
    spans = array_at(step.spans, step.groups, SPAN)
    while step.group < step.groups:
        impossible = record_at(step.states + step.group * step.state_size + step.impossible_offset, INT)
        if impossible and not step.bad:
            return IMPOSSIBLE
        outcome = _take_group(step, tile, spans[step.group])
        if outcome != DONE:
            return outcome
        step.group += 1
        step.row = NOT_BEGUN
    return DONE
