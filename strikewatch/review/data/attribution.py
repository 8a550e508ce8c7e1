"""Attribute work and faults to operators: stretches of work, bouts and alert records → frames EXPOSURE and FAULTS.

A bout counts in the stretch in which it began. An alert counts for the operator signed on at its onset; its seconds are
divided among the operators who worked while it was active. A pause of up to an hour belongs to the operator who worked
before it; a longer pause, such as a night, belongs to nobody.
"""

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from strikewatch.core import instant
from strikewatch.core.batch import Floats, Ints, Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.core.stretch import AttributedStretch
from strikewatch.engine.step_result import StepResult
from strikewatch.review.data.schemas import EXPOSURE, FAULTS, UNASSIGNED, UNKNOWN_TOOL

if TYPE_CHECKING:
    import pandas as pd


PAUSE: Final = 3600 * SECOND
WITHDRAWN: Final = "withdrawn"
"""Key in the evidence of an alert that late rows refuted: it does not count."""


@dataclass(slots=True)
class BoutTotals:
    """Totals of the bouts that began in one stretch; blows are None where none could be counted."""

    n: int = 0
    judged_ns: float = 0.0
    blank_ns: float = 0.0
    blows: float | None = None
    blank_blows: float | None = None

    def add(self, more: "BoutTotals") -> None:
        self.n += more.n
        self.judged_ns += more.judged_ns
        self.blank_ns += more.blank_ns
        self.blows = _sum(self.blows, more.blows)
        self.blank_blows = _sum(self.blank_blows, more.blank_blows)


def _sum(known: float | None, more: float | None) -> float | None:
    return known if more is None else (known or 0.0) + more


@dataclass(slots=True)
class _HammerWork:
    """One hammer's stretches in order, with the bout totals of each."""

    starts: list[Instant] = field(default_factory=list)
    stretches: list[AttributedStretch] = field(default_factory=list)
    bouts: list[BoutTotals] = field(default_factory=list)


class Attribution:
    """Assign bouts and alerts to stretches of work, which are given first, in any order."""

    def __init__(self, stretches: Iterable[AttributedStretch]) -> None:
        self._work: dict[Key, _HammerWork] = {}
        for attributed in sorted(stretches, key=lambda attributed: attributed.stretch.start):
            work = self._work.setdefault(attributed.stretch.key, _HammerWork())
            work.starts.append(attributed.stretch.start)
            work.stretches.append(attributed)
            work.bouts.append(BoutTotals())

    def add_bouts(self, key: Key, start: Instant, totals: BoutTotals) -> None:
        """Add the totals of bouts that began at `start`, or later within the same stretch."""
        work = self._work.get(key)
        if work is not None:
            work.bouts[max(0, bisect_right(work.starts, start) - 1)].add(totals)

    def add_bout_columns(
        self, key: Key, starts: Ints, judged_ns: Floats, blank_ns: Floats, blows: Floats, blank_blows: Floats
    ) -> None:
        """Add many bouts at once, as columns [n]; blows are NaN where not counted."""
        work = self._work.get(key)
        if work is None or not len(starts):
            return
        k = np.maximum(np.searchsorted(np.array(work.starts), starts, side="right") - 1, 0)
        n = len(work.starts)

        def sums(values: Floats) -> list[float]:
            return np.bincount(k, values, n).tolist()  # type: ignore[no-any-return]  # of floats it is

        def counted(values: Floats) -> list[float | None]:
            known = np.bincount(k, ~np.isnan(values), n) > 0
            pairs = zip(sums(np.nan_to_num(values)), known.tolist(), strict=True)
            return [total if some else None for total, some in pairs]

        many = np.bincount(k, minlength=n).tolist()
        columns = many, sums(judged_ns), sums(blank_ns), counted(blows), counted(blank_blows)
        for bouts, added in zip(work.bouts, zip(*columns, strict=True), strict=True):
            bouts.add(BoutTotals(*added))

    def exposure(self) -> "pd.DataFrame":
        """Return EXPOSURE, by site, hammer and start."""
        import pandas as pd

        rows = [
            (
                *key,
                attributed.operator or UNASSIGNED,
                attributed.tool or UNKNOWN_TOOL,
                attributed.stretch.start,
                attributed.stretch.end,
                attributed.stretch.operating_ns / SECOND,
                attributed.stretch.firing_ns / SECOND,
                bouts.judged_ns / SECOND,
                bouts.n,
                bouts.blows,
                bouts.blank_ns / SECOND,
                bouts.blank_blows,
            )
            for key, work in sorted(self._work.items())
            for attributed, bouts in zip(work.stretches, work.bouts, strict=True)
        ]
        frame = pd.DataFrame(rows, columns=list(EXPOSURE))
        numbers = ("operating_s", "firing_s", "judged_s", "blows", "blank_s", "blank_blows")
        return _typed(frame, ("start", "end"), numbers, ("bouts",))

    def faults(self, records: Iterable[Mapping[str, Any]], end: Instant) -> "pd.DataFrame":
        """Return FAULTS of alert records, by onset; active alerts are counted up to `end`."""
        import pandas as pd

        rows: list[tuple[Any, ...]] = []
        for record in records:
            if WITHDRAWN in record["evidence"]:
                continue
            key = record["site"], record["hammer"]
            onset = instant.parse(record["onset"])
            cleared = None if record["cleared"] is None else instant.parse(record["cleared"])
            shares = self._shares(key, onset, max(onset, end if cleared is None else cleared))
            at_onset = record["operator"] or UNASSIGNED
            shares.setdefault(at_onset, 0)
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
                        int(operator == at_onset),
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
        """Divide [onset, end) among operators, in ns; a pause counts for the operator before it."""
        work = self._work.get(key)
        shares: dict[str, int] = {}
        if work is None or onset >= end:
            return shares
        k = bisect_right(work.starts, onset) - 1
        at = onset
        while at < end:
            following = work.starts[k + 1] if k + 1 < len(work.starts) else None
            stop = end if following is None else min(end, following)
            if stop > at:
                last = work.stretches[k].stretch.end if k >= 0 else at
                near = following is not None and following - last <= PAUSE
                until = (
                    stop
                    if k >= 0 and near
                    else min(stop, max(at, last + (PAUSE if following is None else 0)))
                )
                operator_before = (work.stretches[k].operator or UNASSIGNED) if k >= 0 else UNASSIGNED
                for operator, lasted in ((operator_before, until - at), (UNASSIGNED, stop - until)):
                    if lasted > 0:
                        shares[operator] = shares.get(operator, 0) + lasted
            at = stop
            k += 1
        return shares

    def _tool(self, key: Key, at: Instant) -> str:
        work = self._work.get(key)
        if work is None:
            return UNKNOWN_TOOL
        k = bisect_right(work.starts, at) - 1
        return (work.stretches[k].tool if k >= 0 else None) or UNKNOWN_TOOL


def _typed(
    frame: "pd.DataFrame", times: Sequence[str], numbers: Sequence[str], counts: Sequence[str]
) -> "pd.DataFrame":
    """Set the types of columns, also of an empty frame."""
    import pandas as pd

    for name in times:
        frame[name] = pd.to_datetime(frame[name].astype("Int64"), unit="ns", utc=True)
    for name in numbers:
        frame[name] = frame[name].astype("float64")
    for name in counts:
        frame[name] = frame[name].astype("int64")
    return frame


Columns = tuple[Any, ...]
"""Starts [n] ns, ends [n] ns, and one array [n] for each measured field; in order of start."""


def bouts_by_hammer(outcomes: Iterable[StepResult], *names: str) -> dict[Key, Columns]:
    """Return each hammer's bouts; `names` are the measured fields of `Bout` to include."""
    pieces: dict[Key, list[Columns]] = {}
    for outcome in outcomes:
        for key, starts, ends, measured in outcome.bout_columns(*names):
            pieces.setdefault(key, []).append((starts, ends, *measured))
    return {
        key: _in_order([np.concatenate(column) for column in zip(*some, strict=True)])
        for key, some in pieces.items()
    }


def _in_order(columns: list[Any]) -> Columns:
    order: Ints = np.argsort(columns[0], kind="stable")
    return tuple(column[order] for column in columns)


def from_replay(
    records: Iterable[Mapping[str, Any]],
    stretches: Iterable[AttributedStretch],
    outcomes: Iterable[StepResult],
    end: Instant,
) -> "tuple[pd.DataFrame, pd.DataFrame]":
    """Return EXPOSURE and FAULTS of a replay; an active alert is counted up to `end`."""
    attribution = Attribution(stretches)
    measured = "judged_ns", "blank_ns", "blows", "blank_blows"
    for key, (starts, _, *columns) in bouts_by_hammer(outcomes, *measured).items():
        attribution.add_bout_columns(key, starts, *columns)
    return attribution.exposure(), attribution.faults(records, end)
