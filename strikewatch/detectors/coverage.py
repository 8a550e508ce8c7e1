"""Which faults a hammer's feed or profile cannot show, or shows only indirectly, and why."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np

from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND
from strikewatch.detectors import pose
from strikewatch.detectors.base import Detector, DetectorSettings
from strikewatch.detectors.greasing import manual_greasing
from strikewatch.detectors.kernels import NEVER
from strikewatch.detectors.registry import DETECTORS

NAME: Final = "feed"
VERSION: Final = 1
STATE: Final = np.dtype([("at", "<i8", (len(CHANNELS),))])
"""`at`: when each channel was last sampled, in the order of CHANNELS."""
FRESH: Final = {"at": NEVER}

_ABSENT_AFTER: Final = 3600 * SECOND
"""A channel that is missing for longer than this while others come is no longer in the feed, ns."""


def channels_of(record: Any) -> set[str]:
    """Return the channels of a hammer's feed by its whole record, and `check` if inspections are entered for it."""
    at = record[NAME]["at"]
    names = {name for k, name in enumerate(CHANNELS) if at[k] > max(NEVER, int(at.max()) - _ABSENT_AFTER)}
    return names | ({"check"} if record["walk_round"]["has_check"] else set())


def unmonitored_faults(
    settings: Mapping[str, DetectorSettings], channels: Collection[str]
) -> Iterator[tuple[str, str]]:
    """Yield (fault, reason) for each fault that cannot be found with these channels and settings."""
    for detector in DETECTORS:
        why = _why_not_monitored(detector, settings[detector.name], channels)
        if why is not None:
            yield from ((fault.name, why) for fault in detector.faults)


def _why_not_monitored(
    detector: Detector, settings: DetectorSettings, channels: Collection[str]
) -> str | None:
    for group in detector.needs:
        if not any(name in channels for name in group):
            return f"no {' or '.join(group)} in the feed"
    return settings.silenced()


def inferred_faults(
    settings: Mapping[str, DetectorSettings], channels: Collection[str]
) -> Iterator[tuple[str, str]]:
    """Yield (fault, reason) for each fault that is only inferred with these channels, and so less certain."""
    found = {
        "same_spot": _position_missing(settings[pose.NAME], channels),
        "grease_overdue": _hours_inferred(settings, channels),
    }
    missing = {fault for fault, _ in unmonitored_faults(settings, channels)}
    yield from ((fault, why) for fault, why in found.items() if why and fault not in missing)


def _position_missing(arm: DetectorSettings, channels: Collection[str]) -> str:
    """Return why spots are distinguished by pauses only; empty if the tool's position is known."""
    assert isinstance(arm, pose.Settings)
    if all(name in channels for name in pose.TIP):
        return ""
    angles = [name for name in pose.ANGLES if name in channels]
    missing = [name for name in pose.ANGLES if name not in channels]
    if angles and missing:
        why = f"the feed has {_listed(angles)}, but no {' or '.join(missing)}"
    elif angles and arm.boom_m is None:
        why = f"the feed has {_listed(angles)}, but the hammer's table has no `pose` (lengths of the arm)"
    elif angles:
        return ""
    else:
        why = f"no {_listed(pose.TIP)} in the feed"
    return f"spots are told apart by pauses only: {why}"


def _hours_inferred(settings: Mapping[str, DetectorSettings], channels: Collection[str]) -> str:
    """Return why operating hours are inferred; empty if they are measured."""
    greasing = settings["grease"]
    assert isinstance(greasing, manual_greasing.Settings)
    if "engine_rpm" in channels or greasing.clock == "firing":
        return ""
    return "operating hours are counted while rows arrive: no engine_rpm in the feed"


def _listed(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)
