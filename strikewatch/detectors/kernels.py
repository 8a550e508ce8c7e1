"""What all kernels share: how they are declared, the layout of their input, and how they write findings.

`@kernel` and `@part` only record a function. So importing a detector, as the settings do, loads no compiler;
`strikewatch.detectors.compiled.compiler` is imported when a kernel is first compiled or called.

What a detector is given is in `tiles`.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, NamedTuple, TypeVar, cast

import numpy as np

from strikewatch.core.channels import CHANNELS

NEVER: Final = -(1 << 62)
"""An instant before all others: "not yet"."""

RAISED: Final = 0
ESCALATED: Final = 1
CLEARED: Final = 2
STANDING: Final = 3
"""Still active at the watermark; only the evidence is new. Written when a kernel is asked to report."""
MEASURED: Final = 4
"""Not a fault: measurements of a bout or of a stretch of work, from `onset` to `at`. The numbers are those of
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

EVENT: Final = np.dtype(
    [
        ("at", "<i8"),  # when it takes effect
        ("kind", "<i8"),  # GREASING and so on, below
        ("age", "<i8"),  # how long before `at` it happened, ns
        ("nipples", "<i8"),  # number of entries of `strokes`; 0 where not given
        ("strokes", "<i8"),  # the fewest strokes given to any one nipple
        ("manual", "<i8"),
        ("lapses", "<i8"),  # when the sign-on lapses; at or before `at` for a sign-off
        ("value", "<i8"),  # SIGNED: hash of the operator id; METERED: the reading, ns
        ("detail", "<i8"),  # SERVICED: 1 for a service; STORED: 1 for put in storage; METERED: the reason
        ("wrong", "<i8"),  # CORRECTED: kind of the wrong entry
        ("wrong_time", "<i8"),  # CORRECTED: time of the wrong entry
        ("right", "<i8"),  # CORRECTED: kind of the replacement; NOTHING for a withdrawal
    ]
)

GREASING: Final = 0
SERVICED: Final = 1
"""Seals, diaphragm or carrier were changed, or relearning was requested: what was learned of the hammer is void."""
SIGNED: Final = 2
"""A sign-on or a sign-off."""
FITTED: Final = 3
"""A tool change."""
CHECKED: Final = 4
"""A walkaround inspection."""
INSPECTED: Final = 5
STORED: Final = 6
METERED: Final = 7
"""A reading of the hour meter."""
CORRECTED: Final = 8
"""The correction of an earlier entry: it is withdrawn, or replaced by another."""
NOTHING: Final = -1

EVIDENCE: Final = 20
"""Numbers that a finding has room for."""

FINDING: Final = np.dtype(
    [
        ("group", "<i8"),  # number of the hammer in the step
        ("detector", "<i8"),  # index among the detectors
        ("fault", "<i8"),  # index among the detector's faults
        ("step", "<i8"),  # RAISED, ESCALATED, CLEARED, STANDING or MEASURED
        ("onset", "<i8"),  # identifies the fault; the same in all its findings
        ("at", "<i8"),  # when this step became true
        ("priority", "<i8"),
        ("evidence", "<f8", (EVIDENCE,)),
    ]
)


class Output(NamedTuple):
    """Where a kernel writes its findings; see `emit`."""

    findings: Any
    """Array of FINDING, large enough."""
    cursor: Any
    """[CURSOR] int64: the group and the detector in work, and the number of findings written so far."""


GROUP: Final = 0
DETECTOR: Final = 1
WRITTEN: Final = 2
CURSOR: Final = 3

_Function = TypeVar("_Function", bound=Callable[..., Any])


@dataclass(slots=True, eq=False)
class Kernel:
    """A function that numba compiles when it is first needed.

    `evidence_sizes`: see `emit`. `compiled` is numba's dispatcher, which then replaces this object in its module.
    """

    py_func: Callable[..., Any]
    options: Mapping[str, bool]
    evidence_sizes: tuple[int, ...] = ()
    compiled: Any = None

    def __call__(self, *arguments: Any) -> Any:
        """Run it: a part as Python, any other compiled.

        Only names imported before the compiler was loaded still refer to this object.
        """
        return (self.py_func if self.options else compiled(self))(*arguments)


KERNELS: Final[list[Kernel]] = []
"""Every kernel and part declared so far."""
_make_dispatcher: list[Callable[[Kernel], Any]] = []
"""The compiler's function for it, once the compiler is loaded."""


def compiler_loaded(make_dispatcher: Callable[[Kernel], Any]) -> None:
    """Make the dispatchers of all kernels declared so far, and of each one declared later."""
    _make_dispatcher.append(make_dispatcher)
    for each in KERNELS:
        make_dispatcher(each)


def _declare(function: Any, evidence_sizes: tuple[int, ...] = (), **options: bool) -> Any:
    declared = Kernel(function, options, evidence_sizes)
    KERNELS.append(declared)
    return _make_dispatcher[0](declared) if _make_dispatcher else declared


def compiled(function: Any) -> Any:
    """Return the dispatcher of a kernel, for direct calls; any other function unchanged."""
    if isinstance(function, Kernel):
        if function.compiled is None:
            from strikewatch.detectors.compiled import compiler  # noqa: F401 - loading it makes all dispatchers
        return function.compiled
    return function


def part(function: _Function) -> _Function:
    """Declare a part of a kernel. Called from Python, it runs as Python, without loading the compiler."""
    return cast(_Function, _declare(function, no_cpython_wrapper=True, no_cfunc_wrapper=True))


def inlined(function: _Function) -> _Function:
    """Declare a part that is compiled into each of its callers.

    A column or array costs many arguments in a call. Use it for parts that take those, and have few callers.
    """
    return cast(
        _Function, _declare(function, no_cpython_wrapper=True, no_cfunc_wrapper=True, forceinline=True)
    )


def kernel(function: _Function) -> _Function:
    """Declare a function called from Python, compiled once and cached on disk (see `strikewatch.numba_cache`)."""
    return cast(_Function, _declare(function))


def _emit_sizes(function: _Function) -> Any:
    """Declare for these numbers of evidence. Without it numba compiles it for each combination of constants."""
    return _declare(function, (1, 2, 3, 4), no_cpython_wrapper=True, no_cfunc_wrapper=True)


@_emit_sizes
def emit(out: Any, fault: int, step: int, onset: int, at: int, priority: int, evidence: Any) -> int:
    """Write one step of a fault; return the onset of the fault that is active afterwards, NEVER if none.

    All findings are written here. With an onset of NEVER there is no active fault, and nothing is written: so
    `state.onset = emit(out, FAULT, CLEARED, state.onset, ...)` clears a fault if there is one.

    Args:
        fault: index among the detector's faults.
        onset: identifies the fault; for RAISED, and for ESCALATED at once, equal to `at`.
        at: when the step became true.
        evidence: tuple of up to EVIDENCE floats, in the order of the fault's `evidence`.
    """
    if onset == NEVER:
        return NEVER
    finding = out.findings[out.cursor[WRITTEN]]
    out.cursor[WRITTEN] += 1
    finding.group = out.cursor[GROUP]
    finding.detector = out.cursor[DETECTOR]
    finding.fault = fault
    finding.step = step
    finding.onset = onset
    finding.at = at
    finding.priority = priority
    for k in range(len(evidence)):
        finding.evidence[k] = evidence[k]
    for k in range(len(evidence), EVIDENCE):
        finding.evidence[k] = 0.0
    return NEVER if step == CLEARED else onset


@part
def emit_array(out: Any, fault: int, step: int, onset: int, at: int, priority: int, evidence: Any) -> int:
    """Write one step of a fault like `emit`, with the evidence in an array."""
    active = emit(out, fault, step, onset, at, priority, (0.0,))
    if onset != NEVER:
        finding = out.findings[out.cursor[WRITTEN] - 1]
        for k in range(len(evidence)):
            finding.evidence[k] = evidence[k]
    return active  # type: ignore[no-any-return]


def scratch(size: int, dtype: Any) -> Any:
    """Return an array [size] of any values, for a function that neither returns nor keeps it.

    Compiled, it is on the stack (see `compiled.memory`), because kernels make no arrays. `size` is a constant.
    """
    return np.empty(size, dtype)


@part
def unchecked(array: Any, i: int) -> Any:
    """Read array[i] for an i that is not negative.

    numba tests a signed index for being negative, which costs as much as the rule itself.
    """
    return array[np.uintp(i)]


@part
def sample(column: Any, i: int) -> float:
    """Return the value of row i; NaN where not sampled, before the first row, or where no hammer has the channel."""
    if column.size == 0 or i < 0:
        return math.nan
    return unchecked(column, i)  # type: ignore[no-any-return]


_AT_ONCE: Final = 8
"""Rows that `next_row` looks at in one go: the compiler makes a vector of them."""


@part
def newest_row(column: Any, first: int, i: int) -> int:
    """Return the newest row in first..i that has a value; first - 1 if none has."""
    if column.size == 0:
        return first - 1
    while i >= first and unchecked(column, i) != unchecked(column, i):
        i -= 1
    return i


@part
def next_row(column: Any, other: Any, i: int, last: int) -> int:
    """Return the first row from i on at which one of two columns has a value; `last` if there is none."""
    while i + _AT_ONCE <= last:
        known: Any = 0
        for k in range(np.uintp(_AT_ONCE)):
            value = column[np.uintp(i) + k]
            another = other[np.uintp(i) + k]
            known |= (value == value) | (another == another)
        if known:
            break
        i += _AT_ONCE
    while (
        i < last
        and unchecked(column, i) != unchecked(column, i)
        and unchecked(other, i) != unchecked(other, i)
    ):
        i += 1
    return i


@part
def first_row_at(time_ns: Any, i: int, last: int, instant: int) -> int:
    """Return the first row from i on at or after an instant; `last` if none is.

    Looks first where it is if rows are evenly spaced; then it gallops, then bisects.
    """
    if i >= last or unchecked(time_ns, last - 1) < instant:
        return last
    behind = instant - unchecked(time_ns, i)
    if behind <= 0:
        return i
    step = unchecked(time_ns, i + 1) - unchecked(time_ns, i)
    guess = i + (behind + step - 1) // step
    if guess < last and unchecked(time_ns, guess) >= instant and unchecked(time_ns, guess - 1) < instant:
        return guess  # type: ignore[no-any-return]
    reach = 1
    while i + reach <= last and unchecked(time_ns, i + reach - 1) < instant:
        i += reach
        reach *= 2
    high = min(i + reach - 1, last)
    while i < high:
        middle = (i + high) // 2
        if unchecked(time_ns, middle) < instant:
            i = middle + 1
        else:
            high = middle
    return i


@part
def next_firing_row(time_ns: Any, firing_ends: Any, i: int, last: int) -> int:
    """Return the first row from i on at which the hammer fires; `last` if there is none."""
    while i < last and unchecked(firing_ends, i + 1) <= unchecked(time_ns, i):
        i += 1
    return i
