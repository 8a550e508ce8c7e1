"""Strikewatch watches hydraulic breakers at work. In Python: `strikewatch.replay(samples, events, settings)`."""

from strikewatch import compiled
from strikewatch.hosts.frames import bouts, replay, review_frames

__all__ = ["bouts", "replay", "review_frames"]

compiled.prepare()
