"""What a hammer's feed and profile do not let be seen, or let be inferred only, and why."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np

from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND
from strikewatch.detectors import pose
from strikewatch.detectors.base import Detector, DetectorSettings
from strikewatch.detectors.greasing import manual_greasing
from strikewatch.detectors.kernels import (
    NEVER,
    SPAN,
    compile_kernel,
    kernel,
    read_only,
    unchecked,
)
from strikewatch.detectors.registry import DETECTORS

NAME: Final = "feed"
VERSION: Final = 1
STATE: Final = np.dtype([("at", "<i8", (len(CHANNELS),))])
"""When each channel was sampled last, in the order of CHANNELS."""
FRESH: Final = {"at": NEVER}

_NAMES: Final = tuple(CHANNELS)
_GONE: Final = 3600 * SECOND
"""A channel that has been missing for so long while others came is no longer in the feed."""


@kernel
def _newest(spans: Any, time_ns: Any, column: Any, last_sampled: Any) -> None:
    for group in range(len(spans)):
        span = spans[group]
        i = span.last - 1
        while i >= span.first and unchecked(column, i) != unchecked(column, i):
            i -= 1
        if i >= span.first:
            last_sampled[group] = unchecked(time_ns, i)


def compile_coverage() -> None:
    """Have the kernel compiled, or taken from an earlier start."""
    at = np.empty(2, STATE)["at"][:, 0]
    compile_kernel(_newest, np.empty(0, SPAN), read_only(np.empty(0, np.int64)), read_only(np.empty(0)), at)


def note(state: Any, spans: Any, time_ns: Any, columns: Mapping[str, Any]) -> None:
    """Take in which channels these rows have; `state` [groups] of STATE."""
    for name, column in columns.items():
        _newest(spans, time_ns, column, state["at"][:, _NAMES.index(name)])


def heard(record: Any) -> set[str]:
    """The channels of a hammer's feed, and `check` where checks are entered, by its whole record."""
    at = record[NAME]["at"]
    names = {name for k, name in enumerate(CHANNELS) if at[k] > max(NEVER, int(at.max()) - _GONE)}
    return names | ({"check"} if record["walk_round"]["has_check"] else set())


def silent(settings: Mapping[str, DetectorSettings], heard: Collection[str]) -> Iterator[tuple[str, str]]:
    """(fault, why) of each that cannot be found in a feed with these channels and under these settings."""
    for detector in DETECTORS:
        why = _why(detector, settings[detector.name], heard)
        if why is not None:
            yield from ((fault.name, why) for fault in detector.faults)


def _why(detector: Detector, settings: DetectorSettings, heard: Collection[str]) -> str | None:
    for group in detector.needs:
        if not any(name in heard for name in group):
            return f"no {' or '.join(group)} in the feed"
    return settings.silenced()


def uncertain(settings: Mapping[str, DetectorSettings], heard: Collection[str]) -> Iterator[tuple[str, str]]:
    """(fault, why) of each that can be found in a feed with these channels, but is inferred and so less certain."""
    found = {
        "same_spot": _not_placed(settings[pose.NAME], heard),
        "grease_overdue": _not_timed(settings, heard),
    }
    missing = {fault for fault, _ in silent(settings, heard)}
    yield from ((fault, why) for fault, why in found.items() if why and fault not in missing)


def _not_placed(arm: DetectorSettings, heard: Collection[str]) -> str:
    """Why spots are told apart by pauses only; empty where the tool's position is known."""
    assert isinstance(arm, pose.Settings)
    if all(name in heard for name in pose.TIP):
        return ""
    angles = [name for name in pose.ANGLES if name in heard]
    missing = [name for name in pose.ANGLES if name not in heard]
    if angles and missing:
        why = f"the feed has {_listed(angles)}, but no {' or '.join(missing)}"
    elif angles and arm.boom_m is None:
        why = f"the feed has {_listed(angles)}, but the hammer's table has no `pose` (lengths of the arm)"
    elif angles:
        return ""
    else:
        why = f"no {_listed(pose.TIP)} in the feed"
    return f"spots are told apart by pauses only: {why}"


def _not_timed(settings: Mapping[str, DetectorSettings], heard: Collection[str]) -> str:
    """Why operating hours are inferred; empty where they are measured."""
    greasing = settings["grease"]
    assert isinstance(greasing, manual_greasing.Settings)
    if "engine_rpm" in heard or greasing.clock == "firing":
        return ""
    return "operating hours are counted while rows arrive: no engine_rpm in the feed"


def _listed(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)
