"""The registry of detectors. A new detector is one file and one line here, in the order of saved state.

Settings, review, filters and page take everything that they need to know about a fault from here.
"""

from collections.abc import Mapping
from typing import Final

from strikewatch.core.channels import BASIC
from strikewatch.core.finding import Fault
from strikewatch.detectors import (
    cold_oil,
    exposure,
    hot_oil,
    limits,
    oil_heating,
    same_spot,
    sensor_fault,
    signal_lost,
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
    *limits.DETECTORS,
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
