"""How a hammer's pressure rises at the start of a bout, learned so that a line that fills is no suspicion.

For each 0.2 s after the start: the share of the steady level that the loaded hammer has by then. It is learned from
bouts that were loaded from their start and long enough to show a steady level.
"""

from typing import Any, Final

import numpy as np

from strikewatch.detectors.kernels import part

BIN: Final = 200_000_000
"""Length of a bin, ns."""
BINS: Final = 24
STEADY: Final = 12
"""From this bin on the level counts as steady; shares are learned up to the last bin all the same."""
ENOUGH: Final = 10
"""Bouts from which the ramp-up counts as known."""
STEP: Final = 0.01
"""A bout moves a share by at most this: the few bouts that begin blank do not count."""
UNSEEN: Final = 0.1
"""Spread of shares until bouts have shown it."""
MOST: Final = 255
"""Bouts are counted up to this; more make no difference."""
VARIES: Final = 0.06
"""Where bouts differ by more, the ramp-up says nothing about the load."""

STATE: Final = np.dtype(
    [
        ("steady", "<f8"),  # sum of the windows of the current bout from `STEADY` on
        ("steady_n", "<i8"),
        ("share", "<f4", (BINS,)),
        ("spread", "<f4", (BINS,)),  # mean absolute deviation of bouts from that share
        ("sum", "<f4", (BINS,)),  # of the windows of the current bout
        ("n", "<u1", (BINS,)),
        ("bouts", "<u1", (BINS,)),  # up to MOST
    ],
    align=True,
)


@part
def begin(state: Any) -> None:
    """Begin a bout."""
    for k in range(BINS):
        state.sum[k] = 0.0
        state.n[k] = 0
    state.steady = 0.0
    state.steady_n = 0


@part
def share_at(state: Any, k: int) -> float:
    """Return the share of the steady level in bin k; 1 if unknown."""
    return state.share[k] if k < BINS and state.bouts[k] > 1 else 1.0


@part
def spread_at(state: Any, k: int, lasted: int) -> float:
    """Return how much more bouts differ in the share of bin k than later on, for a window of this length.

    With a slow line and few samples it depends on when the first of them falls. Short windows have no such doubt.
    """
    if k >= BINS or lasted <= BIN:
        return 0.0
    if state.bouts[k] > 1:
        later = state.spread[BINS - 1] if state.bouts[BINS - 1] > 1 else 0.0
        return max(0.0, state.spread[k] - later)  # type: ignore[no-any-return]
    return UNSEEN if k < STEADY else 0.0


@part
def take(state: Any, start: int, end: int, raw: float, loaded: bool) -> None:
    """Take a window from `start` to `end`, ns since the bout began."""
    k = (start + end) // (2 * BIN)
    if loaded and k >= STEADY:
        state.steady += raw
        state.steady_n += 1
    if end - start <= BIN:
        if k < BINS:
            state.sum[k] += np.float32(raw)
            state.n[k] += 1
        return
    for j in range(start // BIN, min(BINS, (end + BIN - 1) // BIN)):
        state.sum[j] += np.float32(raw)
        state.n[j] += 1


@part
def known(state: Any) -> bool:
    """Tell whether enough bouts have shown the ramp-up."""
    return state.bouts[STEADY] >= ENOUGH  # type: ignore[no-any-return]


@part
def learn(state: Any) -> None:
    """Learn from a bout that is over, if it had a steady loaded level."""
    if state.steady_n == 0:
        return
    steady = state.steady / state.steady_n
    # Without a branch, so that the compiler makes vectors of it. A bin without windows keeps its values.
    for k in range(np.uintp(BINS)):
        n: Any = np.int64(state.n[k])
        before: Any = np.int64(state.bouts[k])
        old_share = np.float64(state.share[k])
        old_spread = np.float64(state.spread[k])
        bouts: Any = min(before + 1, MOST)
        seldom = 1.0 / bouts
        off = np.float64(state.sum[k]) / max(n, 1) / steady - old_share
        # First a mean, then a median: it moves by a small step towards the share of the bout.
        step = max(STEP, 0.5 * seldom)
        share = old_share + (off if before == 0 else max(-step, min(step, off)))
        gain = max(0.05, seldom)
        spread = UNSEEN if before == 0 else old_spread + gain * (min(abs(off), 2.0 * UNSEEN) - old_spread)
        state.share[k] = share if n > 0 else old_share
        state.spread[k] = spread if n > 0 else old_spread
        state.bouts[k] = bouts if n > 0 else before


@part
def reset(state: Any) -> None:
    """Forget everything learned."""
    for k in range(BINS):
        state.bouts[k] = 0
