"""What counts as a fault: one file each, over a shared reading of what is known at each instant.

`DETECTORS` is the registry: a new detector is one new file and one line here.
"""

from typing import Final

from strikewatch.detect import (
    blank_firing,
    cold_oil,
    end_of_stroke,
    exposure,
    feed_force,
    grease,
    grease_feed,
    hot_oil,
    long_storage,
    low_engine_speed,
    off_square,
    oil_heating,
    over_side,
    prying,
    same_spot,
    sensor_fault,
    signal_lost,
    submerged,
    upkeep,
    walk_round,
)
from strikewatch.detect.detector import Detector

DETECTORS: Final[tuple[Detector, ...]] = (
    same_spot.DETECTOR,
    hot_oil.DETECTOR,
    oil_heating.DETECTOR,
    cold_oil.DETECTOR,
    blank_firing.DETECTOR,
    grease.DETECTOR,
    grease_feed.DETECTOR,
    low_engine_speed.DETECTOR,
    end_of_stroke.DETECTOR,
    over_side.DETECTOR,
    off_square.DETECTOR,
    feed_force.DETECTOR,
    prying.DETECTOR,
    submerged.DETECTOR,
    upkeep.DETECTOR,
    walk_round.DETECTOR,
    long_storage.DETECTOR,
    signal_lost.DETECTOR,
    sensor_fault.DETECTOR,
    exposure.DETECTOR,
)
