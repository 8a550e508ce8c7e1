"""prying: the tool loaded from the side beyond the hammer's limit for 0.5 s, firing or not.

A breaker is no crowbar: tool, bushings and retaining pins take it. The limit is the profile's, from the hammer's
handbook or its sensor's: without it the detector is silent. The time is common practice, no published source.
"""

import math
from typing import Final

from pydantic import Field

from strikewatch.core.finding import Fault, Highlight
from strikewatch.detectors.base import DetectorSettings, seconds, tenth
from strikewatch.detectors.limit_rule import spells


class Settings(DetectorSettings):
    """Side load on the tool."""

    limit_bar: float | None = Field(
        None, description="Side load above this is prying, bar; from the profile; left out: not judged"
    )
    limit_s: float = Field(0.5, ge=0, description="Beyond it for this long is a fault, s")
    pause_s: float = Field(0.0, ge=0, description="Not beyond it for this long, it is over, s (0: at once)")

    def silenced(self) -> str | None:
        return "the limit_bar of its side load is not set" if self.limit_bar is None else None


def _limits(settings: Settings) -> tuple[float, float]:
    return -math.inf, math.inf if settings.limit_bar is None else settings.limit_bar


DETECTOR: Final = spells(
    Fault(
        "prying",
        "Side load on the tool of up to {side_load_max_bar:.0f} bar for {pried_s:.1f} s; the hammer is no crowbar.",
        {"pried_s": seconds, "side_load_max_bar": tenth},
        of_operator=True,
        highlights=(Highlight("side_load_max_bar", "the hardest: {value:.0f} bar"),),
    ),
    Settings,
    ("side_load_bar",),
    _limits,
    firing=False,
    title="Side load, bar",
)
