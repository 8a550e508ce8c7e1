"""How a hammer's pressure comes up at the start of a bout: learned, so that a line that fills is no suspicion.

For each fifth of a second after the start, the share of the steady level that the loaded hammer has by then. It is
learned from bouts that were loaded from their start and long enough to show a steady level.
"""

from typing import Any, Final

import numpy as np

from strikewatch.detectors.kernels import part

BIN: Final = 200_000_000
BINS: Final = 24
STEADY: Final = 12
"""From this bin on the level counts as steady; it is followed to the last bin all the same."""
ENOUGH: Final = 10
STEP: Final = 0.01
"""A bout moves a share by this at most: bouts that begin blank are fewer than the others, and do not count."""
UNSEEN: Final = 0.1
"""The spread of shares until bouts have shown it."""
VARIES: Final = 0.06
"""Where bouts differ by more, how the pressure comes up says nothing of the load."""

STATE: Final = np.dtype(
    [
        ("share", "<f8", (BINS,)),
        ("spread", "<f8", (BINS,)),  # mean absolute deviation of bouts from that share
        ("bouts", "<i8", (BINS,)),
        ("sum", "<f8", (BINS,)),  # of the present bout
        ("n", "<i8", (BINS,)),
        ("steady", "<f8"),  # windows of the present bout from `STEADY` on
        ("steady_n", "<i8"),
    ]
)


@part
def begin(s: Any) -> None:
    """A bout begins."""
    for k in range(BINS):
        s.sum[k] = 0.0
        s.n[k] = 0
    s.steady = 0.0
    s.steady_n = 0


@part
def share_at(s: Any, k: int) -> float:
    """The share of the steady level that the hammer has in the k-th fifth of a second; 1 where it is not known."""
    return s.share[k] if k < BINS and s.bouts[k] > 1 else 1.0


@part
def spread_at(s: Any, k: int, lasted: int) -> float:
    """How much more bouts differ in that share than later on, for a window of this length.

    With a slow line and few samples it goes by when the first of them falls. Short windows have no such doubt.
    """
    if k >= BINS or lasted <= BIN:
        return 0.0
    if s.bouts[k] > 1:
        later = s.spread[BINS - 1] if s.bouts[BINS - 1] > 1 else 0.0
        return max(0.0, s.spread[k] - later)  # type: ignore[no-any-return]
    return UNSEEN if k < STEADY else 0.0


@part
def take(s: Any, start: int, end: int, raw: float, loaded: bool) -> None:
    """A window from `start` to `end`, ns since the bout began, as it is."""
    k = (start + end) // (2 * BIN)
    if loaded and k >= STEADY:
        s.steady += raw
        s.steady_n += 1
    if end - start <= BIN:
        if k < BINS:
            s.sum[k] += raw
            s.n[k] += 1
        return
    for j in range(start // BIN, min(BINS, (end + BIN - 1) // BIN)):
        s.sum[j] += raw
        s.n[j] += 1


@part
def known(s: Any) -> bool:
    """Whether enough bouts have shown how the pressure comes up."""
    return s.bouts[STEADY] >= ENOUGH  # type: ignore[no-any-return]


@part
def learn(s: Any) -> None:
    """The bout is over: take how it came up, if its loaded level is known."""
    if s.steady_n == 0:
        return
    steady = s.steady / s.steady_n
    for k in range(BINS):
        if s.n[k] == 0:
            continue
        share = s.sum[k] / s.n[k] / steady
        s.bouts[k] += 1
        if s.bouts[k] == 1:
            s.share[k] = share
            s.spread[k] = UNSEEN
        else:
            off = min(abs(share - s.share[k]), 2.0 * UNSEEN)
            s.spread[k] += max(0.05, 1.0 / s.bouts[k]) * (off - s.spread[k])
            # A mean while young, then the median: it moves by a small step to the side on which the bout lies.
            step = max(STEP, 0.5 / s.bouts[k])
            s.share[k] += max(-step, min(step, share - s.share[k]))


@part
def forget(s: Any) -> None:
    for k in range(BINS):
        s.bouts[k] = 0
