"""Settings of channels that a feed sends on change only."""

from typing import TYPE_CHECKING, Self

from pydantic import Field, model_validator

from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND, seconds
from strikewatch.detectors.base import DetectorSettings
from strikewatch.sources.hold import MAX_HOLD_S, Bounds

if TYPE_CHECKING:
    from strikewatch.engine.pipeline import HammerSettings  # importing it imports every detector


def bound_error(channel: str, hold_s: float) -> str | None:
    """Return why a channel cannot be held for this long; None if it can."""
    if channel not in CHANNELS:
        return f"{channel[:80]!r} is not a channel; the channels are {', '.join(CHANNELS)}"
    ordinary_s = CHANNELS[channel].hold_ns // SECOND
    if not ordinary_s <= hold_s <= MAX_HOLD_S:
        return f"{channel} is valid for {ordinary_s} s in any case; give {ordinary_s} to {MAX_HOLD_S:.0f} s"
    return None


class Settings(DetectorSettings):
    """Channels that the feed sends on change only."""

    hold_s: dict[str, float] = Field(
        default_factory=dict,
        description="Channel = how long a value is held at most, s; other channels keep their usual hold time",
    )

    @model_validator(mode="after")
    def _possible(self) -> Self:
        for channel, hold_s in self.hold_s.items():
            if error := bound_error(channel, hold_s):
                raise ValueError(f"hold_s: {error}")
        return self


def bounds_of(settings: "HammerSettings") -> Bounds:
    """Return channel → how long a value is held, ns, from a hammer's settings."""
    own = settings.get("on_change")
    return {name: seconds(hold_s) for name, hold_s in own.hold_s.items()} if isinstance(own, Settings) else {}
