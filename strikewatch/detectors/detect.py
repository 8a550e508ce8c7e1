"""The compiled step: it takes all rows tile by tile, digests each tile, and gives it to every detector.

Each detector is compiled by itself and called by its address: `take_tile` or `take_parts`, with the detector's own
functions and layouts in place of the globals that stand for them. So one call from Python takes a whole step, and a
tile is still in the processor's cache when the last detector reads it.

It imports numba: import it only to compile.
"""

from typing import Any, Final

import numba
import numpy as np
from llvmlite import ir  # type: ignore[import-untyped]
from numba import carray  # type: ignore[attr-defined]
from numba.extending import intrinsic

from strikewatch.core.channels import CHANNELS
from strikewatch.detectors import firing, pose
from strikewatch.detectors.digest import (
    add_run,
    clear,
    digest_column,
    digest_steps,
    has_steps,
    is_impossible,
    read_bits,
    runs_by_row,
    runs_from_bits,
    widest_step,
)
from strikewatch.detectors.kernels import (
    CURSOR,
    DETECTOR,
    EVENT,
    FINDING,
    GROUP,
    NEVER,
    WRITTEN,
    Output,
    kernel,
    part,
    unchecked,
)
from strikewatch.detectors.step import DONE, FULL, IMPOSSIBLE, NOT_BEGUN, SPAN, STEP
from strikewatch.detectors.tiles import (
    DIGEST,
    HOLD_ACTIVE,
    NOTHING,
    PART_ROWS,
    RUN,
    TILE,
    TILE_ROWS,
    Column,
    Rows,
    firing_by_row,
)

_INT: Final = np.dtype("<i8")
_FLOAT: Final = np.dtype("<f8")
_WORDS: Final = np.dtype("<u8")
_CHANNELS: Final = tuple(CHANNELS)
_ACTIVE: Final = _CHANNELS.index("active")
_PRESSURE: Final = _CHANNELS.index("pressure_bar")
_TOOL_X: Final = _CHANNELS.index("tool_x_m")
_TOOL_Y: Final = _CHANNELS.index("tool_y_m")
_BOOM, _STICK, _BUCKET, _SWING = (_CHANNELS.index(name) for name in pose.ANGLES)
_FIRING_PARAMS: Final = firing.PARAMS.itemsize
_POSE_PARAMS: Final = pose.PARAMS.itemsize
_SIZE: Final = 8
"""Bytes of an integer or a float."""


def _to_pointer(_context: Any, _address: Any) -> Any:
    def generate(_target: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.inttoptr(arguments[0], ir.IntType(8).as_pointer())

    return numba.types.voidptr(numba.int64), generate


def _to_call(_context: Any, _address: Any, _argument: Any) -> Any:
    """Call the function at an address with one integer."""

    def generate(target: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        function = ir.FunctionType(ir.VoidType(), [ir.IntType(64)])
        builder.call(builder.inttoptr(arguments[0], function.as_pointer()), [arguments[1]])
        return target.get_dummy_value()

    return numba.void(numba.int64, numba.int64), generate


_pointer: Final[Any] = intrinsic(_to_pointer)
_call: Final[Any] = intrinsic(_to_call)


@part
def array_at(address: int, size: int, dtype: Any) -> Any:
    """Return the array of `size` elements at an address."""
    return carray(_pointer(address), (size,), dtype)


@part
def record_at(address: int, dtype: Any) -> Any:
    """Return the record at an address."""
    return array_at(address, 1, dtype)[0]


@part
def _values(step: Any, k: int) -> Any:
    """Return the values of channel k; no elements if no hammer has it."""
    return array_at(step.columns[k], step.rows if step.columns[k] else 0, _FLOAT)


@part
def _indexed_like_rows(address: int, tile: Any, dtype: Any) -> Any:
    """Return room for one value for each of the tile's rows, and one more, indexed like the rows."""
    return array_at(address - _SIZE * tile.first, tile.last + 1, dtype)


@part
def _state_address(step: Any, tile: Any) -> int:
    return step.states + tile.group * step.state_size  # type: ignore[no-any-return]


@part
def _bound(
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
def _begin_tile(step: Any, tile: Any, span: Any, reading: Any, time_ns: Any, events: Any) -> None:
    """Set the bounds of the group's next tile."""
    if step.row == NOT_BEGUN:
        step.row = span.first
        step.event = span.first_event
    tile.since = reading.upto
    if reading.upto == NEVER:
        tile.since = unchecked(time_ns, step.row) if span.last > step.row else span.upto
    _bound(tile, span, step.row, step.tile_rows, step.event, step.report, time_ns, events)


@part
def _digest(step: Any, tile: Any, digests: Any, time_ns: Any, bits: Any) -> bool:
    """Digest all columns; return whether there is an impossible value."""
    for k in range(NOTHING):
        digest = digests[k]
        if not step.columns[k] or tile.last == tile.first:
            clear(digest)
            continue
        values = _values(step, k)
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
        ends = _indexed_like_rows(step.firing_ends, tile, _INT)
        runs_by_row(
            tile, reading, params, time_ns, _values(step, _ACTIVE), _values(step, _PRESSURE), runs, ends
        )
    tile.fires_until = reading.until


@part
def _derive_position(step: Any, tile: Any, digests: Any, time_ns: Any) -> None:
    """Put a position derived from the arm's angles in place of the tool's, if the hammer's feed has none."""
    params = record_at(step.pose_params + tile.slot * _POSE_PARAMS, pose.PARAMS)
    if not params.arm or tile.last == tile.first:
        return
    state = record_at(_state_address(step, tile) + step.pose_offset, pose.STATE)
    x = _indexed_like_rows(step.tool_x_m, tile, _FLOAT)
    y = _indexed_like_rows(step.tool_y_m, tile, _FLOAT)
    has_x, has_y = digests[_TOOL_X].n > 0, digests[_TOOL_Y].n > 0
    for i in range(tile.first, tile.last):
        x[np.uintp(i)] = unchecked(_values(step, _TOOL_X), i) if has_x else np.nan
        y[np.uintp(i)] = unchecked(_values(step, _TOOL_Y), i) if has_y else np.nan
    angles = (_values(step, _BOOM), _values(step, _STICK), _values(step, _BUCKET), _values(step, _SWING))
    pose.derive(tile, state, params, time_ns, angles, x, y)
    step.columns[_TOOL_X] = step.tool_x_m - _SIZE * tile.first
    step.columns[_TOOL_Y] = step.tool_y_m - _SIZE * tile.first
    digest_column(digests[_TOOL_X], x, tile.first, tile.last)
    digest_column(digests[_TOOL_Y], y, tile.first, tile.last)


@part
def _has_room(step: Any, tile: Any) -> bool:
    """Tell whether there is room for all that the detectors can find in the tile."""
    rows, events = tile.last - tile.first, tile.last_event - tile.first_event
    most = step.detectors * (4 * (rows + 1 + 4 * events) + 40)
    return array_at(step.cursor, CURSOR, _INT)[WRITTEN] + most <= step.capacity  # type: ignore[no-any-return]


@part
def _take_group(step: Any, tile: Any, span: Any) -> int:
    """Take the rows of one hammer from where it stands."""
    tile.group = step.group
    tile.slot = span.slot
    time_ns = array_at(step.time_ns, step.rows, _INT)
    events = array_at(step.events, span.last_event, EVENT)
    digests = array_at(step.digests, NOTHING + 1, DIGEST)
    bits = array_at(step.bits, TILE_ROWS // 64 + 1, _WORDS)
    runs = array_at(step.runs, TILE_ROWS + 2, RUN)
    state = _state_address(step, tile)
    reading = record_at(state + step.firing_offset, firing.STATE)
    sampled_at = array_at(state + step.coverage_offset, NOTHING, _INT)
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
            _call(step.run[k], step.own)
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
        impossible = record_at(step.states + step.group * step.state_size + step.impossible_offset, _INT)
        if impossible and not step.bad:
            return IMPOSSIBLE
        outcome = _take_group(step, tile, spans[step.group])
        if outcome != DONE:
            return outcome
        step.group += 1
        step.row = NOT_BEGUN
    return DONE


@part
def _column(step: Any, digests: Any, k: int) -> Any:
    digest = digests[k]
    return Column(
        _values(step, k), digest.n, digest.lowest, digest.highest, digest.first, digest.last, digest.widest
    )


@part
def _columns(step: Any, address: int) -> Any:
    """Return the columns that the detector in work reads, with the digests at an address, and more up to MAX_READS."""
    reads = step.reads[step.detector]
    digests = array_at(address, NOTHING + 1, DIGEST)
    return (
        _column(step, digests, reads[0]),
        _column(step, digests, reads[1]),
        _column(step, digests, reads[2]),
        _column(step, digests, reads[3]),
    )


@part
def _rows(step: Any, tile: Any, runs: int) -> Any:
    """Return the rows of a tile, with the runs of firing at an address."""
    masks = step.rows if step.bad else 0
    return Rows(
        array_at(step.time_ns, step.rows, _INT),
        array_at(runs, tile.runs, RUN),
        array_at(step.events, tile.last_event, EVENT),
        array_at(step.bad, masks, _WORDS),
        array_at(step.good, masks, _WORDS),
        _indexed_like_rows(step.firing_ends, record_at(step.tile, TILE), _INT),
    )


@part
def _output(step: Any) -> Any:
    """Return where the detector in work writes its findings."""
    cursor = array_at(step.cursor, CURSOR, _INT)
    cursor[GROUP] = step.group
    cursor[DETECTOR] = step.detector
    return Output(array_at(step.findings, step.capacity, FINDING), cursor)


@part
def _next_part(step: Any, tile: Any, part: Any, rows: Any) -> None:
    """Make the next part of a tile, with its own digests and runs."""
    part.since = part.upto
    most = tile.last - tile.first if step.never_quiet else PART_ROWS
    _bound(part, tile, part.last, most, part.last_event, tile.report, rows.time_ns, rows.events)
    firing_ends = firing_by_row(tile, rows)
    part.by_row = 1
    part.fires_before = firing_ends[np.uintp(part.first)]
    part.fires_until = firing_ends[np.uintp(part.last)]
    part.runs = 0
    part.fired = 0
    runs = array_at(step.part_runs, TILE_ROWS + 2, RUN)
    for k in range(tile.runs):
        run = rows.runs[k]
        if run.end > part.since and run.start <= part.upto:
            first, last = max(run.first, part.first), min(run.last, part.last)
            add_run(part, runs, max(run.start, part.since), min(run.end, part.upto), first, last)
    digests = array_at(step.part_digests, NOTHING + 1, DIGEST)
    for k in step.reads[step.detector]:
        if step.columns[k]:
            digest_column(digests[k], _values(step, k), part.first, part.last)
            digest_steps(digests[k], part, rows.time_ns, _values(step, k))
        else:
            clear(digests[k])


STATE: Any = None
PARAMS: Any = None
PARAMS_SIZE: Any = None
READS: Any = None
quiet: Any = None
run: Any = None
"""Of each detector, in `take_tile` and `take_parts`; `compiler` sets them."""


def take_tile(address: int) -> None:
    """Give the tile in work to a detector that takes every tile."""
    step = record_at(address, STEP)
    tile = record_at(step.tile, TILE)
    state = record_at(_state_address(step, tile) + step.state_offset[step.detector], STATE)
    params = record_at(step.params[step.detector] + tile.slot * PARAMS_SIZE, PARAMS)
    columns = _columns(step, step.digests)[:READS]
    run(tile, state, params, _rows(step, tile, step.runs), *columns, _output(step))


def take_parts(address: int) -> None:
    """Give the tile in work to a detector, unless it is quiet: in parts, of which some may be quiet after all."""
    step = record_at(address, STEP)
    tile = record_at(step.tile, TILE)
    state = record_at(_state_address(step, tile) + step.state_offset[step.detector], STATE)
    params = record_at(step.params[step.detector] + tile.slot * PARAMS_SIZE, PARAMS)
    rows = _rows(step, tile, step.runs)
    by_rows = step.never_quiet or tile.report
    if not by_rows and quiet(tile, state, params, rows, *_columns(step, step.digests)[:READS]):
        return
    part = record_at(step.part, TILE)
    part.upto = tile.since
    part.last = tile.first
    part.last_event = tile.first_event
    while True:
        _next_part(step, tile, part, rows)
        columns = _columns(step, step.part_digests)[:READS]
        part_rows = _rows(step, part, step.part_runs)
        if step.never_quiet or part.report or not quiet(part, state, params, part_rows, *columns):
            run(part, state, params, part_rows, *columns, _output(step))
        if part.last == tile.last:
            return
