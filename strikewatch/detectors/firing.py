"""When the hammer fires: settings and state. `compiled.digest` derives it.

`active` is held for 2 s. A feed that never had an `active` channel fires by its pressure, with a deadband: each
pressure sample then says on or off, and is held like any pressure.
"""

from typing import Any, Final

import numpy as np
from pydantic import Field

from strikewatch.detectors.base import DetectorSettings
from strikewatch.detectors.kernels import NEVER


class Settings(DetectorSettings):
    """Firing derived from pressure, for feeds without an `active` channel."""

    rising = ("off_bar", "on_bar")

    on_bar: float = Field(80.0, description="Pressure from which the hammer counts as firing, bar")
    off_bar: float = Field(60.0, description="Pressure below which it no longer counts as firing, bar")


STATE: Final = np.dtype(
    [
        ("upto", "<i8"),  # watermark
        ("until", "<i8"),  # how long it is known to fire
        ("on", "<i8"),  # last on/off of the feed, or by the deadband
        ("has_active", "<i8"),
        ("fired", "<i8"),  # ns of firing in all bouts that have ended
        ("began", "<i8"),  # start of the bout under way; NEVER if there is none
    ]
)
FRESH: Final = {"upto": NEVER, "until": NEVER, "began": NEVER}
PARAMS: Final = np.dtype([("on_bar", "<f8"), ("off_bar", "<f8")])


def fired_ns(record: Any) -> int:
    """Return the total firing time of a hammer up to its watermark, ns."""
    lasted = min(record["until"], record["upto"]) - record["began"] if record["began"] != NEVER else 0
    return int(record["fired"] + lasted)
