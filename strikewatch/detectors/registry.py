"""What counts as a fault: one file each, over a shared reading of what is known at each instant.

`DETECTORS` is the registry: a new detector is one new file and one line here.
"""

from typing import Final

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
