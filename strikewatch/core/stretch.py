"""A stretch of work: what rates are taken over. At most a clock hour (UTC), with one operator and one tool."""

from typing import Any, Final, NamedTuple

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant


class Stretch(NamedTuple):
    """From the first to the last instant of work in it, for how long the carrier worked, and the hammer fired, ns."""

    key: Key
    start: Instant
    end: Instant
    operating_ns: float
    firing_ns: float


class Spent(NamedTuple):
    """A stretch, who was signed on in it, and the tool fitted."""

    stretch: Stretch
    operator: str | None
    tool: str | None

    def record(self) -> dict[str, Any]:
        """One JSON object: whose it was, and seconds."""
        one = self.stretch
        site, hammer = one.key
        return {
            "site": site,
            "hammer": hammer,
            "operator": self.operator,
            "tool": self.tool,
            "start": instant.text(one.start),
            "end": instant.text(one.end),
            "operating_s": round(one.operating_ns / SECOND, 6),
            "firing_s": round(one.firing_ns / SECOND, 6),
        }


FIELDS: Final[tuple[str, ...]] = tuple(Spent(Stretch(("", ""), 0, 0, 0.0, 0.0), None, None).record())
"""Names of a stretch's record, in order."""
