"""The packed argument of the compiled call that takes a step: addresses of its arrays, and where it stands."""

from typing import Final

import numpy as np

from strikewatch.detectors.tiles import NOTHING

MAX_DETECTORS: Final = 32
MAX_READS: Final = 4
"""Channels that one detector may read."""

SPAN: Final = np.dtype(
    [
        ("slot", "<i8"),  # index of this hammer's records of `params`
        ("upto", "<i8"),  # new watermark
        ("first", "<i8"),  # this hammer's rows are first..last-1
        ("last", "<i8"),
        ("first_event", "<i8"),  # its events are first_event..last_event-1
        ("last_event", "<i8"),
    ]
)

STEP: Final = np.dtype(
    [
        ("own", "<i8"),  # the address of this record
        # The detectors.
        ("detectors", "<i8"),
        ("run", "<i8", (MAX_DETECTORS,)),  # address of each compiled detector
        ("next_part", "<i8"),  # address of `entries.next_part`
        ("state_offset", "<i8", (MAX_DETECTORS,)),  # of its part in a hammer's state, bytes
        ("params", "<i8", (MAX_DETECTORS,)),  # address of its records of parameters, by slot
        ("reads", "<i8", (MAX_DETECTORS, MAX_READS)),  # indices of the channels that it reads
        ("state_size", "<i8"),  # of one hammer, bytes
        ("firing_offset", "<i8"),
        ("firing_params", "<i8"),
        ("coverage_offset", "<i8"),
        ("pose_offset", "<i8"),
        ("pose_params", "<i8"),
        ("impossible_offset", "<i8"),  # of the set of channels whose last value was impossible
        ("tile_rows", "<i8"),
        ("never_quiet", "<i8"),  # every detector takes every tile by rows (for tests)
        # The input.
        ("groups", "<i8"),
        ("spans", "<i8"),
        ("states", "<i8"),
        ("rows", "<i8"),
        ("time_ns", "<i8"),
        ("columns", "<i8", (NOTHING + 1,)),  # 0 where no hammer has the channel
        ("events", "<i8"),
        ("bad", "<i8"),  # 0 if no value is impossible
        ("good", "<i8"),
        ("report", "<i8"),
        # Room for one tile.
        ("tile", "<i8"),
        ("digests", "<i8"),
        ("bits", "<i8"),
        ("runs", "<i8"),
        ("firing_ends", "<i8"),
        ("part", "<i8"),  # a part of the tile, its digests and runs
        ("part_digests", "<i8"),
        ("part_runs", "<i8"),
        ("tool_x_m", "<i8"),
        ("tool_y_m", "<i8"),
        # The output.
        ("findings", "<i8"),
        ("capacity", "<i8"),
        ("cursor", "<i8"),
        # Where it stands.
        ("group", "<i8"),  # hammer in work
        ("row", "<i8"),  # its next row; NOT_BEGUN before its first tile
        ("event", "<i8"),  # its next event
        ("detector", "<i8"),  # detector in work
    ]
)

NOT_BEGUN: Final = -1

DONE: Final = 0
FULL: Final = 1
"""There is no room for the findings of another tile: take those written, and call it again."""
IMPOSSIBLE: Final = 2
"""There are impossible values: begin the step anew without them, and with `bad` and `good`."""
