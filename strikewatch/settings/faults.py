"""What counts as a fault, and for which hammer: the settings of every detector in one table."""

from pydantic import BaseModel, ConfigDict, Field

from strikewatch.detectors.blank_firing.blank_firing import Settings as BlankFiring
from strikewatch.detectors.cold_oil import Settings as ColdOil
from strikewatch.detectors.end_of_stroke import Settings as EndOfStroke
from strikewatch.detectors.exposure import Settings as Exposure
from strikewatch.detectors.feed_force import Settings as FeedForce
from strikewatch.detectors.firing import Settings as Firing
from strikewatch.detectors.greasing.automatic_greasing import Settings as GreaseFeed
from strikewatch.detectors.greasing.manual_greasing import Settings as Grease
from strikewatch.detectors.hot_oil import Settings as HotOil
from strikewatch.detectors.low_engine_speed import Settings as LowEngineSpeed
from strikewatch.detectors.maintenance.long_storage import Settings as LongStorage
from strikewatch.detectors.maintenance.service_intervals import Settings as Upkeep
from strikewatch.detectors.maintenance.walkaround import Settings as WalkRound
from strikewatch.detectors.off_square import Settings as OffSquare
from strikewatch.detectors.oil_heating import Settings as OilHeating
from strikewatch.detectors.over_side import Settings as OverSide
from strikewatch.detectors.pose import Settings as Pose
from strikewatch.detectors.prying import Settings as Prying
from strikewatch.detectors.same_spot import Settings as SameSpot
from strikewatch.detectors.sensor_fault import Settings as SensorFault
from strikewatch.detectors.signal_lost import Settings as SignalLost
from strikewatch.detectors.submerged import Settings as Submerged
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.review.wear.limits import Settings as Wear
from strikewatch.sources.on_change import Settings as OnChange


class Faults(BaseModel):
    """What counts as a fault: the settings of every detector."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    firing: Firing = Field(default_factory=Firing)
    on_change: OnChange = Field(default_factory=OnChange)
    pose: Pose = Field(default_factory=Pose)
    same_spot: SameSpot = Field(default_factory=SameSpot)
    hot_oil: HotOil = Field(default_factory=HotOil)
    oil_heating: OilHeating = Field(default_factory=OilHeating)
    cold_oil: ColdOil = Field(default_factory=ColdOil)
    blank_firing: BlankFiring = Field(default_factory=BlankFiring)
    grease: Grease = Field(default_factory=Grease)
    grease_feed: GreaseFeed = Field(default_factory=GreaseFeed)
    low_engine_speed: LowEngineSpeed = Field(default_factory=LowEngineSpeed)
    end_of_stroke: EndOfStroke = Field(default_factory=EndOfStroke)
    over_side: OverSide = Field(default_factory=OverSide)
    off_square: OffSquare = Field(default_factory=OffSquare)
    feed_force: FeedForce = Field(default_factory=FeedForce)
    prying: Prying = Field(default_factory=Prying)
    submerged: Submerged = Field(default_factory=Submerged)
    upkeep: Upkeep = Field(default_factory=Upkeep)
    walk_round: WalkRound = Field(default_factory=WalkRound)
    long_storage: LongStorage = Field(default_factory=LongStorage)
    signal_lost: SignalLost = Field(default_factory=SignalLost)
    sensor_fault: SensorFault = Field(default_factory=SensorFault)
    exposure: Exposure = Field(default_factory=Exposure)
    wear: Wear = Field(default_factory=Wear)

    def by_detector(self) -> HammerSettings:
        return {name: getattr(self, name) for name in type(self).model_fields}
