"""What counts as a fault: one file each, over a shared reading of what is known at each instant.

`DETECTORS` is the registry: a new detector is one new file and one line here.
"""

from typing import Final

from strikewatch.detect import (
    blank_firing,
    cold_oil,
    exposure,
    grease,
    hot_oil,
    oil_heating,
    same_spot,
    sensor_fault,
    signal_lost,
)
from strikewatch.detect.detector import Detector

DETECTORS: Final[tuple[Detector, ...]] = (
    same_spot.DETECTOR,
    hot_oil.DETECTOR,
    oil_heating.DETECTOR,
    cold_oil.DETECTOR,
    blank_firing.DETECTOR,
    grease.DETECTOR,
    signal_lost.DETECTOR,
    sensor_fault.DETECTOR,
    exposure.DETECTOR,
)
