"""What every kernel shares: how it is declared, the shape of its input, and how it writes a finding down.

`@kernel` and `@part` only record a function. Importing a detector, as the settings do, therefore loads no compiler;
`strikewatch.detectors.compiler` is imported when a kernel is first compiled or called.

A kernel is a plain loop over stretches of time. A hammer's new rows divide the time from its last watermark to its new
one into stretches [a, b) on which every channel stands still, but for hold times that run out:

    watermark before ── row ── row ── … ── row ── new watermark
           carry stretch │                     last stretch

Entry `first + g` of `fire_until` belongs to the carry stretch of group g, and entry `i + g + 1` to the stretch that
begins with row i: the hammer is known to fire up to there, so it fires at a where `fire_until > a`, and then on
[a, min(fire_until, b)). The last stretch may have no length; what holds at its instant is known all the same.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, TypeVar, cast

import numpy as np

from strikewatch.core.channels import CHANNELS

NEVER: Final = -(1 << 62)
"""An instant before all others: "not yet"."""

RAISED: Final = 0
ESCALATED: Final = 1
CLEARED: Final = 2
STANDING: Final = 3
"""Still true at the watermark: only the evidence is news. Written when a kernel is asked to report."""
NOTED: Final = 4
"""No fault: what was measured of a bout or a stretch of work, from `onset` to `at`. The numbers are those of
`core.bout.Bout` or `core.stretch.Stretch`."""

LOW: Final = 0
MEDIUM: Final = 1
HIGH: Final = 2

CHANNEL_BITS: Final = np.uint64
"""A set of channels, one bit each in the order of CHANNELS. Evidence holds it as a float, exact up to 53 bits."""
if len(CHANNELS) > 53:
    raise AssertionError(
        "there are more than 53 channels: give sensor_fault's evidence a second number for them"
    )

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
        ("kind", "<i8"),  # GREASING and so on, below
        ("age", "<i8"),  # how long before that it happened, ns
        ("nipples", "<i8"),  # entries of `strokes`; 0 where not told
        ("strokes", "<i8"),  # the fewest given to any one nipple
        ("manual", "<i8"),
        ("lapses", "<i8"),  # when the sign-on lapses; not above `at`: a sign-off
        ("value", "<i8"),  # SIGNED: whose, METERED: what was read, ns
        ("detail", "<i8"),  # SERVICED: 1 for a service, STORED: 1 for put in, METERED: the reason
        ("wrong", "<i8"),  # CORRECTED: the kind of the entry that was wrong,
        ("wrong_time", "<i8"),  # and when that was said to have happened
        ("right", "<i8"),  # CORRECTED: the kind of what replaces it; NOTHING where it is withdrawn
    ]
)

GREASING: Final = 0
SERVICED: Final = 1
"""Seals, membranes or carrier are others now, or someone asked: what was learned of the hammer no longer holds."""

SIGNED: Final = 2
"""Somebody has signed on, or off."""
FITTED: Final = 3
"""The hammer has another tool."""

CHECKED: Final = 4
"""Somebody walked round it and looked."""
INSPECTED: Final = 5
STORED: Final = 6
METERED: Final = 7
CORRECTED: Final = 8
"""An earlier entry was wrong: it is withdrawn, or another of its kind takes its place."""
NOTHING: Final = -1

EVIDENCE: Final = 20
"""Numbers that a finding has room for."""

FINDING: Final = np.dtype(
    [
        ("group", "<i8"),
        ("fault", "<i8"),  # index among the detector's faults
        ("step", "<i8"),  # RAISED, ESCALATED, CLEARED, STANDING or NOTED
        ("onset", "<i8"),  # names the fault; the same in all its findings
        ("at", "<i8"),  # when this step became true
        ("priority", "<i8"),
        ("evidence", "<f8", (EVIDENCE,)),
    ]
)

_Function = TypeVar("_Function", bound=Callable[..., Any])


@dataclass(slots=True, eq=False)
class Kernel:
    """A function that numba compiles when a kernel is first needed.

    `evidence_sizes`: see `emit`. `compiled` is numba's dispatcher, which then takes this object's place in its module.
    """

    py_func: Callable[..., Any]
    options: Mapping[str, bool]
    evidence_sizes: tuple[int, ...] = ()
    compiled: Any = None

    def __call__(self, *arguments: Any) -> Any:
        """Run it compiled. Only names imported before the compiler was loaded come by here."""
        return compiled(self)(*arguments)


KERNELS: Final[list[Kernel]] = []
"""Every kernel and part declared so far."""
_realise: list[Callable[[Kernel], Any]] = []
"""How the compiler takes a kernel, once it is loaded."""


def compiler_loaded(realise: Callable[[Kernel], Any]) -> None:
    """Have `realise` make the dispatcher of every kernel, of those declared later too."""
    _realise.append(realise)
    for each in KERNELS:
        realise(each)


def _declare(function: Any, evidence_sizes: tuple[int, ...] = (), **options: bool) -> Any:
    declared = Kernel(function, options, evidence_sizes)
    KERNELS.append(declared)
    return _realise[0](declared) if _realise else declared


def compiled(function: Any) -> Any:
    """The dispatcher of a kernel, for calls without a detour; any other function as it is."""
    if isinstance(function, Kernel):
        if function.compiled is None:
            from strikewatch.detectors import compiler  # noqa: F401 - loading it realises all kernels
        return function.compiled
    return function


def read_only(array: Any) -> Any:
    """As the columns of a recording are; a kernel compiled for it takes others too."""
    array.flags.writeable = False
    return array


def settle(function: Any, *like: Any) -> None:
    """Compile a kernel for arguments like these, and for no others.

    Left to itself it would be compiled once more whenever a single hammer's record happens to be contiguous.
    """
    from strikewatch.detectors import compiler

    compiler.compile_for(compiled(function), like)


def part(function: _Function) -> _Function:
    """A piece of a kernel, not to be called from Python: spares the compiler the way in."""
    return cast(_Function, _declare(function, no_cpython_wrapper=True, no_cfunc_wrapper=True))


def kernel(function: _Function) -> _Function:
    """A function to be called from Python, compiled once and kept on disk (see `strikewatch.numba_cache`)."""
    return cast(_Function, _declare(function))


def _emit_sizes(function: _Function) -> Any:
    """Compile for evidence of so many numbers, constants as variables: left to itself, forty times over."""
    sizes = (1, 2, 3, 4, 6, 12, EVIDENCE)
    return _declare(function, sizes, no_cpython_wrapper=True, no_cfunc_wrapper=True)


@_emit_sizes
def emit(
    out: Any, n: int, g: int, fault: int, step: int, onset: int, at: int, priority: int, evidence: Any
) -> int:
    """Write finding number n; return n + 1. `evidence`: up to EVIDENCE floats, in the fault's order."""
    finding = out[n]
    finding.group = g
    finding.fault = fault
    finding.step = step
    finding.onset = onset
    finding.at = at
    finding.priority = priority
    for k in range(len(evidence)):
        finding.evidence[k] = evidence[k]
    for k in range(len(evidence), EVIDENCE):
        finding.evidence[k] = 0.0
    return n + 1


@part
def nothing_yet() -> int:
    """Zero findings: not the literal, for which all that is handed it would be compiled once more."""
    return np.int64(0)  # type: ignore[return-value]  # numba's int


@part
def nth(array: Any, i: int) -> Any:
    """array[i] for an i that is not negative: a signed index would be tested, which costs as much as the rule."""
    return array[np.uintp(i)]


@part
def first_above(column: Any, i: int, last: int, limit: float) -> int:
    """The first row from i on whose value is above the limit; `last` where none is, or the channel is not there."""
    if column.size == 0:
        return last
    while i < last and not nth(column, i) > limit:
        i += 1
    return i


@part
def first_below(column: Any, i: int, last: int, limit: float) -> int:
    """The first row from i on whose value is below the limit; likewise."""
    if column.size == 0:
        return last
    while i < last and not nth(column, i) < limit:
        i += 1
    return i


@part
def first_at(time_ns: Any, i: int, last: int, instant: int) -> int:
    """The first row from i on at or after an instant; `last` where none is. Few looks, whether it is near or far."""
    reach = 1
    while i + reach <= last and nth(time_ns, i + reach - 1) < instant:
        i += reach
        reach *= 2
    high = min(i + reach - 1, last)
    while i < high:
        middle = (i + high) // 2
        if nth(time_ns, middle) < instant:
            i = middle + 1
        else:
            high = middle
    return i


@part
def next_firing(time_ns: Any, fire_until: Any, g: int, i: int, last: int) -> int:
    """The first row of group g from i on at which the hammer fires; `last` where none is."""
    while i < last and nth(fire_until, i + 1 + g) <= nth(time_ns, i):
        i += 1
    return i


@part
def newest(column: Any, first: int, i: int) -> int:
    """The newest row in first..i that has a value; first - 1 where none has."""
    if column.size == 0:
        return first - 1
    while i >= first and nth(column, i) != nth(column, i):
        i -= 1
    return i


@part
def sample(column: Any, i: int) -> float:
    """The value of row i, NaN where not sampled; a channel that no hammer here has is an empty array."""
    if column.size == 0 or i < 0:
        return math.nan
    return nth(column, i)  # type: ignore[no-any-return]
