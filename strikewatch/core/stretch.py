"""Stretches of work: the exposure that rates are based on. A stretch lies within one clock hour (UTC) and has one
operator and one tool."""

from typing import Any, Final, NamedTuple

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant


class Stretch(NamedTuple):
    """First and last instant of work, and how long the carrier worked and the hammer fired, ns."""

    key: Key
    start: Instant
    end: Instant
    operating_ns: float
    firing_ns: float


class AttributedStretch(NamedTuple):
    """A stretch with the operator signed on and the tool fitted."""

    stretch: Stretch
    operator: str | None
    tool: str | None

    def record(self) -> dict[str, Any]:
        """Return the stretch as a JSON object: operator, tool, seconds."""
        stretch = self.stretch
        site, hammer = stretch.key
        return {
            "site": site,
            "hammer": hammer,
            "operator": self.operator,
            "tool": self.tool,
            "start": instant.text(stretch.start),
            "end": instant.text(stretch.end),
            "operating_s": round(stretch.operating_ns / SECOND, 6),
            "firing_s": round(stretch.firing_ns / SECOND, 6),
        }


FIELDS: Final[tuple[str, ...]] = tuple(
    AttributedStretch(Stretch(("", ""), 0, 0, 0.0, 0.0), None, None).record()
)
"""Keys of the record of a stretch, in order."""
