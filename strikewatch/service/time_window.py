"""Which part of a recording is looked at: one hammer, and a stretch of time. All of it is run through, since the past
counts: what was learned of the hammer, the hours since greasing."""

from dataclasses import dataclass

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.errors import Refused
from strikewatch.service.time_parsing import moment


@dataclass(frozen=True, slots=True)
class Part:
    """What stood at some time in [begin, end), of one hammer; None: of any, without that end."""

    hammer: str | None = None
    begin: Instant | None = None
    end: Instant | None = None

    @staticmethod
    def asked(hammer: str | None, begin: str | None, end: str | None, now: Instant) -> "Part":
        """As typed: spans reach back from `now`. Raises Refused where it is no stretch of time."""
        first, last = (None if at is None else moment(at, now, back=True) for at in (begin, end))
        if first is not None and last is not None and last <= first:
            raise Refused("--from must be before --to")
        return Part(hammer, first, last)

    def has(self, hammer: str, first: Instant, last: Instant | None) -> bool:
        """Whether what stood from `first` to `last`, or still stands, is in it."""
        return (
            self.hammer in (None, hammer)
            and (self.end is None or first < self.end)
            and (self.begin is None or last is None or last >= self.begin)
        )

    def has_alert(self, record: dict[str, object]) -> bool:
        cleared = record["cleared"]
        last = None if cleared is None else instant.parse(str(cleared))
        return self.has(str(record["hammer"]), instant.parse(str(record["onset"])), last)
