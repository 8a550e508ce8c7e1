"""From messages to rows and events of hammers in event time, ready for the detectors.

decoder.py     routes, scans, decodes or maps messages    admission.py   limits to new hammers
intake.py      orders what has arrived, by hammer         step.py        the data of one step, and its limit
postponed.py   keeps what a step has no room for
"""

from strikewatch.service.intake.decoder import Decoder
from strikewatch.service.intake.intake import HELD_PER_STEP_NS, LAYOUT, Intake
from strikewatch.service.intake.step import Step

__all__ = ["HELD_PER_STEP_NS", "LAYOUT", "Decoder", "Intake", "Step"]
