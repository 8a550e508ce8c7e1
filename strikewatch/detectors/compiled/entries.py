"""How one detector takes a tile: compiled for each, with its own functions and layouts in place of the globals below.

It imports numba: import it only to compile.
"""

from typing import Any

import numpy as np

from strikewatch.detectors.compiled.digest import add_run, bound, clear, digest_column, digest_steps
from strikewatch.detectors.compiled.memory import (
    array_at,
    call_at,
    columns_of,
    output_of,
    record_at,
    rows_of,
    state_address,
    values_of,
)
from strikewatch.detectors.compiled.step import STEP
from strikewatch.detectors.tiles import DIGEST, NOTHING, PART_ROWS, RUN, TILE, TILE_ROWS, firing_by_row

STATE: Any = None
PARAMS: Any = None
PARAMS_SIZE: Any = None
READS: Any = None
quiet: Any = None
run: Any = None
"""Of each detector; `compiler` sets them."""


def take_tile(address: int) -> None:
    """Give the tile in work to a detector that takes every tile."""
    step = record_at(address, STEP)
    tile = record_at(step.tile, TILE)
    state = record_at(state_address(step, tile) + step.state_offset[step.detector], STATE)
    params = record_at(step.params[step.detector] + tile.slot * PARAMS_SIZE, PARAMS)
    columns = columns_of(step, step.digests)[:READS]
    run(tile, state, params, rows_of(step, tile, step.runs), *columns, output_of(step))


def take_parts(address: int) -> None:
    """Give the tile in work to a detector, unless it is quiet: in parts, of which some may be quiet after all."""
    step = record_at(address, STEP)
    whole = record_at(step.tile, TILE)
    state = record_at(state_address(step, whole) + step.state_offset[step.detector], STATE)
    params = record_at(step.params[step.detector] + whole.slot * PARAMS_SIZE, PARAMS)
    tile = whole
    digests, runs = step.digests, step.runs
    in_parts = step.never_quiet or whole.last - whole.first <= PART_ROWS
    while True:
        columns = columns_of(step, digests)[:READS]
        rows = rows_of(step, tile, runs)
        if step.never_quiet or tile.report or not quiet(tile, state, params, rows, *columns):
            if in_parts:
                run(tile, state, params, rows, *columns, output_of(step))
            else:
                in_parts = True
                tile = record_at(step.part, TILE)
                tile.upto, tile.last, tile.last_event = whole.since, whole.first, whole.first_event
                digests, runs = step.part_digests, step.part_runs
        if tile.last == whole.last:
            return
        call_at(step.next_part, address)


def next_part(address: int) -> None:
    """Make the next part of the tile in work, with its own digests and runs."""
    step = record_at(address, STEP)
    tile = record_at(step.tile, TILE)
    part = record_at(step.part, TILE)
    rows = rows_of(step, tile, step.runs)
    part.since = part.upto
    bound(part, tile, part.last, PART_ROWS, part.last_event, tile.report, rows.time_ns, rows.events)
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
            digest_column(digests[k], values_of(step, k), part.first, part.last)
            digest_steps(digests[k], part, rows.time_ns, values_of(step, k))
        else:
            clear(digests[k])
