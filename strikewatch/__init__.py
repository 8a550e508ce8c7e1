"""Strikewatch watches hydraulic breakers at work. In Python: `strikewatch.replay(samples, events, settings)`."""

from strikewatch import compiled
from strikewatch.hosts.frames import replay

__all__ = ["replay"]

compiled.prepare()
