"""Whose what was: stretches of work, bouts and alert records become the frames EXPOSURE and FAULTS.

A bout counts in the stretch it began in. An alert counts for who was signed on at its onset; its seconds are divided
over those who worked while it lasted. A pause of up to an hour belongs to whoever worked before it; a longer one, such
as a night, to nobody.
"""

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from strikewatch.model import instant
from strikewatch.model.batch import Floats, Ints, Key
from strikewatch.model.instant import SECOND, Instant
from strikewatch.model.stretch import Spent
from strikewatch.review.frames import EXPOSURE, FAULTS, UNASSIGNED, UNKNOWN_TOOL

if TYPE_CHECKING:
    import pandas as pd

PAUSE: Final = 3600 * SECOND
WITHDRAWN: Final = "withdrawn"
"""Evidence of an alert that late rows refuted: it was none."""


@dataclass(slots=True)
class Bouts:
    """What bouts that began in one stretch come to; `blows` None where none could be counted."""

    n: int = 0
    judged_ns: float = 0.0
    blows: float | None = None

    def add(self, n: int, judged_ns: float, blows: float | None) -> None:
        self.n += n
        self.judged_ns += judged_ns
        if blows is not None and blows == blows:
            self.blows = (self.blows or 0.0) + blows


@dataclass(slots=True)
class _Worked:
    """One hammer's stretches in order, and what the bouts of each come to."""

    starts: list[Instant] = field(default_factory=list)
    stretches: list[Spent] = field(default_factory=list)
    bouts: list[Bouts] = field(default_factory=list)


class Attribution:
    """Stretches come first, in any order; then bouts and alerts find theirs."""

    def __init__(self, stretches: Iterable[Spent]) -> None:
        self._worked: dict[Key, _Worked] = {}
        for spent in sorted(stretches, key=lambda one: one.stretch.start):
            worked = self._worked.setdefault(spent.stretch.key, _Worked())
            worked.starts.append(spent.stretch.start)
            worked.stretches.append(spent)
            worked.bouts.append(Bouts())

    def bouts(self, key: Key, start: Instant, n: int, judged_ns: float, blows: float | None) -> None:
        """Add bouts that began at an instant, or from it on within its stretch."""
        worked = self._worked.get(key)
        if worked is not None:
            worked.bouts[max(0, bisect_right(worked.starts, start) - 1)].add(n, judged_ns, blows)

    def many_bouts(self, key: Key, starts: Ints, judged_ns: Floats, blows: Floats) -> None:
        """Likewise of many at once [n]; `blows` NaN where not counted."""
        worked = self._worked.get(key)
        if worked is None or not len(starts):
            return
        k = np.maximum(np.searchsorted(np.array(worked.starts), starts, side="right") - 1, 0)
        n = len(worked.starts)
        counted = np.bincount(k, np.nan_to_num(blows), n)
        known = np.bincount(k, ~np.isnan(blows), n) > 0
        added = zip(np.bincount(k, minlength=n), np.bincount(k, judged_ns, n), counted, known, strict=True)
        for bouts, (count, judged, sum_of_blows, any_known) in zip(worked.bouts, added, strict=True):
            bouts.add(int(count), float(judged), float(sum_of_blows) if any_known else None)

    def exposure(self) -> "pd.DataFrame":
        """EXPOSURE, by site, hammer and start."""
        import pandas as pd

        rows = [
            (
                *key,
                spent.operator or UNASSIGNED,
                spent.tool or UNKNOWN_TOOL,
                spent.stretch.start,
                spent.stretch.end,
                spent.stretch.operating_ns / SECOND,
                spent.stretch.firing_ns / SECOND,
                bouts.judged_ns / SECOND,
                bouts.n,
                bouts.blows,
            )
            for key, worked in sorted(self._worked.items())
            for spent, bouts in zip(worked.stretches, worked.bouts, strict=True)
        ]
        frame = pd.DataFrame(rows, columns=list(EXPOSURE))
        return _typed(frame, ("start", "end"), ("operating_s", "firing_s", "judged_s", "blows"), ("bouts",))

    def faults(self, records: Iterable[Mapping[str, Any]], end: Instant) -> "pd.DataFrame":
        """FAULTS of alert records, by onset; those that stand are counted up to `end`."""
        import pandas as pd

        rows: list[tuple[Any, ...]] = []
        for record in records:
            if WITHDRAWN in record["evidence"]:
                continue
            key = record["site"], record["hammer"]
            onset = instant.parse(record["onset"])
            cleared = None if record["cleared"] is None else instant.parse(record["cleared"])
            shares = self._shares(key, onset, max(onset, end if cleared is None else cleared))
            own = record["operator"] or UNASSIGNED
            shares.setdefault(own, 0)
            tool = self._tool(key, onset)
            for operator, lasted in shares.items():
                rows.append(
                    (
                        record["id"],
                        record["fault"],
                        *key,
                        operator,
                        tool,
                        record["priority"],
                        onset,
                        cleared,
                        int(operator == own),
                        lasted / SECOND,
                        record["historic"],
                        record["summary"],
                        record["evidence"],
                    )
                )
        rows.sort(key=lambda row: (row[7], row[0], -row[9]))
        frame = pd.DataFrame(rows, columns=list(FAULTS))
        frame = _typed(frame, ("onset", "cleared"), ("seconds",), ("count",))
        frame["historic"] = frame["historic"].astype(bool)
        return frame

    def _shares(self, key: Key, onset: Instant, end: Instant) -> dict[str, int]:
        """Operator → ns of [onset, end); who was at work when, and in pauses whoever was before them."""
        worked = self._worked.get(key)
        shares: dict[str, int] = {}
        if worked is None or onset >= end:
            return shares
        k = bisect_right(worked.starts, onset) - 1
        at = onset
        while at < end:
            following = worked.starts[k + 1] if k + 1 < len(worked.starts) else None
            stop = end if following is None else min(end, following)
            if stop > at:
                last = worked.stretches[k].stretch.end if k >= 0 else at
                near = following is not None and following - last <= PAUSE
                theirs = (
                    stop
                    if k >= 0 and near
                    else min(stop, max(at, last + (PAUSE if following is None else 0)))
                )
                who = (worked.stretches[k].operator or UNASSIGNED) if k >= 0 else UNASSIGNED
                for operator, lasted in ((who, theirs - at), (UNASSIGNED, stop - theirs)):
                    if lasted > 0:
                        shares[operator] = shares.get(operator, 0) + lasted
            at = stop
            k += 1
        return shares

    def _tool(self, key: Key, at: Instant) -> str:
        worked = self._worked.get(key)
        if worked is None:
            return UNKNOWN_TOOL
        k = bisect_right(worked.starts, at) - 1
        return (worked.stretches[k].tool if k >= 0 else None) or UNKNOWN_TOOL


def _typed(
    frame: "pd.DataFrame", times: Sequence[str], numbers: Sequence[str], counts: Sequence[str]
) -> "pd.DataFrame":
    """Columns of one kind whatever is in them, none included."""
    import pandas as pd

    for name in times:
        frame[name] = pd.to_datetime(frame[name].astype("Int64"), unit="ns", utc=True)
    for name in numbers:
        frame[name] = frame[name].astype("float64")
    for name in counts:
        frame[name] = frame[name].astype("int64")
    return frame
