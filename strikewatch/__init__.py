"""Strikewatch watches hydraulic breakers at work. In Python: `strikewatch.replay(samples, events, settings)`."""

from strikewatch.api import bouts, replay, review_frames, use

__all__ = ["bouts", "replay", "review_frames", "use"]
