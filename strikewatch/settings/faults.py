"""What counts as a fault, and for which hammer: the settings of every detector in one table."""

from typing import TYPE_CHECKING

from pydantic import BaseModel, ConfigDict, Field, create_model

from strikewatch.detectors.firing import Settings as Firing
from strikewatch.detectors.pose import Settings as Pose
from strikewatch.detectors.registry import DETECTORS
from strikewatch.review.wear.advice import Settings as Wear
from strikewatch.sources.hold import Settings as OnChange

if TYPE_CHECKING:
    from strikewatch.engine.pipeline import HammerSettings


class _Signals(BaseModel):
    """What detectors share."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid", allow_inf_nan=False)

    firing: Firing = Field(default_factory=Firing)
    on_change: OnChange = Field(default_factory=OnChange)
    pose: Pose = Field(default_factory=Pose)

    def by_detector(self) -> "HammerSettings":
        return {name: getattr(self, name) for name in type(self).model_fields}


if TYPE_CHECKING:
    _Detectors = _Signals
else:
    _Detectors = create_model(
        "_Detectors",
        __base__=_Signals,
        **{one.name: (one.settings, Field(default_factory=one.settings)) for one in DETECTORS},
    )


class Faults(_Detectors):
    """What counts as a fault: the settings of every detector."""

    wear: Wear = Field(default_factory=Wear)
