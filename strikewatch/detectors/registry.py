"""What counts as a fault: one file each, over a shared reading of what is known at each instant.

`DETECTORS` is the registry: a new detector is one new file and one line here. Settings, review, filters and page take
what they need to know of a fault from it.
"""

from collections.abc import Mapping
from typing import Final

from strikewatch.core.channels import BASIC
from strikewatch.core.finding import Fault
from strikewatch.detectors import (
    cold_oil,
    end_of_stroke,
    exposure,
    feed_force,
    hot_oil,
    low_engine_speed,
    off_square,
    oil_heating,
    over_side,
    prying,
    same_spot,
    sensor_fault,
    signal_lost,
    submerged,
)
from strikewatch.detectors.base import Detector
from strikewatch.detectors.blank_firing import blank_firing
from strikewatch.detectors.greasing import automatic_greasing, manual_greasing
from strikewatch.detectors.maintenance import long_storage, service_intervals, walkaround

DETECTORS: Final[tuple[Detector, ...]] = (
    same_spot.DETECTOR,
    hot_oil.DETECTOR,
    oil_heating.DETECTOR,
    cold_oil.DETECTOR,
    blank_firing.DETECTOR,
    manual_greasing.DETECTOR,
    automatic_greasing.DETECTOR,
    low_engine_speed.DETECTOR,
    end_of_stroke.DETECTOR,
    over_side.DETECTOR,
    off_square.DETECTOR,
    feed_force.DETECTOR,
    prying.DETECTOR,
    submerged.DETECTOR,
    service_intervals.DETECTOR,
    walkaround.DETECTOR,
    long_storage.DETECTOR,
    signal_lost.DETECTOR,
    sensor_fault.DETECTOR,
    exposure.DETECTOR,
)

FAULTS: Final[Mapping[str, Fault]] = {
    fault.name: fault for detector in DETECTORS for fault in detector.faults
}
"""Every fault by name, in the order of the registry."""
DETECTOR_OF: Final[Mapping[str, str]] = {fault.name: d.name for d in DETECTORS for fault in d.faults}
"""The name of the detector, and so of the settings, of each fault."""


def _in_every_feed(detector: Detector) -> bool:
    return all(any(name in BASIC for name in group) for group in detector.needs)


COMMON: Final = tuple(
    fault.name for d in DETECTORS if _in_every_feed(d) for fault in d.faults if fault.of_operator
)
"""The operator's faults that every feed can show."""
MISUSE: Final = tuple(
    fault.name for d in DETECTORS if not _in_every_feed(d) for fault in d.faults if fault.of_operator
)
"""The operator's faults that only richer feeds can show."""
