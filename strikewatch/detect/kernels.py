"""What every kernel shares: compilation, the shape of its input, and how it writes a finding down.

A kernel is a plain loop over stretches of time. A hammer's new rows divide the time from its last watermark to its new
one into stretches [a, b) on which every channel stands still, but for hold times that run out:

    watermark before ── row ── row ── … ── row ── new watermark
           carry stretch │                     last stretch

Entry `first + g` of `fire_until` belongs to the carry stretch of group g, and entry `i + g + 1` to the stretch that
begins with row i: the hammer is known to fire up to there, so it fires at a where `fire_until > a`, and then on
[a, min(fire_until, b)). The last stretch may have no length; what holds at its instant is known all the same.
"""

import math
from collections.abc import Callable
from typing import Any, Final, TypeVar, cast

import numba
import numpy as np

NEVER: Final = -(1 << 62)
"""An instant before all others: "not yet"."""

RAISED: Final = 0
ESCALATED: Final = 1
CLEARED: Final = 2
STANDING: Final = 3
"""Still true at the watermark: only the evidence is news. Written when a kernel is asked to report."""

LOW: Final = 0
MEDIUM: Final = 1
HIGH: Final = 2

SPAN: Final = np.dtype(
    [
        ("slot", "<i8"),  # which record of `params` is this hammer's
        ("since", "<i8"),  # watermark before
        ("upto", "<i8"),  # new watermark
        ("first", "<i8"),  # rows first..last-1 are this hammer's
        ("last", "<i8"),
        ("first_event", "<i8"),  # likewise of `events`
        ("last_event", "<i8"),
    ]
)

EVENT: Final = np.dtype(
    [
        ("at", "<i8"),  # when it takes effect
        ("age", "<i8"),  # how long before that it happened, ns
        ("nipples", "<i8"),  # entries of `strokes`; 0 where not told
        ("strokes", "<i8"),  # the fewest given to any one nipple
        ("manual", "<i8"),
    ]
)

FINDING: Final = np.dtype(
    [
        ("group", "<i8"),
        ("fault", "<i8"),  # index among the detector's faults
        ("step", "<i8"),  # RAISED, ESCALATED, CLEARED or STANDING
        ("onset", "<i8"),  # names the fault; the same in all its findings
        ("at", "<i8"),  # when this step became true
        ("priority", "<i8"),
        ("evidence", "<f8", (8,)),
    ]
)

_Function = TypeVar("_Function", bound=Callable[..., Any])


def kernel(function: _Function) -> _Function:
    """Compile at the first call and keep the result (see `strikewatch.compiled`); other threads run meanwhile."""
    return cast(_Function, numba.njit(cache=True, nogil=True, error_model="numpy")(function))


@kernel
def emit(
    out: Any, n: int, g: int, fault: int, step: int, onset: int, at: int, priority: int, evidence: Any
) -> int:
    """Write finding number n; return n + 1. `evidence`: a tuple of up to 8 floats, in the fault's order."""
    finding = out[n]
    finding.group = g
    finding.fault = fault
    finding.step = step
    finding.onset = onset
    finding.at = at
    finding.priority = priority
    for k in range(len(evidence)):
        finding.evidence[k] = evidence[k]
    return n + 1


@kernel
def sample(column: Any, i: int) -> float:
    """The value of row i, NaN where not sampled; a channel that no hammer here has is an empty array."""
    if column.size == 0 or i < 0:
        return math.nan
    return column[i]  # type: ignore[no-any-return]
