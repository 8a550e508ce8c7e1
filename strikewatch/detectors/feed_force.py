"""feed_force: fired for 3 s with the force on the tool outside the hammer's band.

Too little and it strikes half blank; too much and the carrier lifts and the tool is bent. The band is the profile's,
from the handbooks of hammer and carrier: without it the detector is silent.
"""

import math
from typing import Final

from pydantic import Field

from strikewatch.core.finding import Fault
from strikewatch.detectors.base import DetectorSettings, seconds, tenth
from strikewatch.detectors.limit_rule import LOWEST, spells


class Settings(DetectorSettings):
    """Firing with too little or too much force on the tool."""

    low_bar: float | None = Field(
        None,
        description="Feed pressure below this is too light, bar; from the handbook; left out: not judged",
    )
    high_bar: float | None = Field(
        None, description="Feed pressure above this lifts the carrier, bar; likewise"
    )
    limit_s: float = Field(3.0, ge=0, description="Firing outside of them that is a fault, s")
    pause_s: float = Field(2.0, ge=0, description="Without it for this long, the spell is over, s")

    def silenced(self) -> str | None:
        unset = self.low_bar is None and self.high_bar is None
        return "neither low_bar nor high_bar of its feed is set" if unset else None


def _limits(settings: Settings) -> tuple[float, float]:
    low, high = settings.low_bar, settings.high_bar
    return -math.inf if low is None else low, math.inf if high is None else high


DETECTOR: Final = spells(
    Fault(
        "feed_force",
        "Fired {firing_off_band_s:.1f} s with feed at {feed_min_bar:.0f} to {feed_max_bar:.0f} bar, outside its band; "
        "press as the handbook says.",
        {"firing_off_band_s": seconds, "feed_min_bar": tenth, "feed_max_bar": tenth},
        of_operator=True,
        by_machine=True,
    ),
    Settings,
    ("feed_bar",),
    _limits,
    tells=LOWEST,
    title="Feed, bar",
)
