"""Pair the alerts of two runs over the same recording, to show what changes under other settings.

Two alerts form a pair if hammer and fault are the same and their times overlap (an active alert has no end). Alerts
with the same onset are paired first, the others in order of onset; each alert is in at most one pair.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from strikewatch.core import instant
from strikewatch.core.instant import Instant

Record = Mapping[str, Any]
Change = Literal["gone", "new", "moved", "other priority", "same"]
CHANGES: Final[tuple[Change, ...]] = ("gone", "new", "moved", "other priority", "same")
"""gone: only before; new: only after; moved: another onset or clearing; same: none of these."""


@dataclass(frozen=True, slots=True)
class Pair:
    """One alert before and after the change; None if the run did not find it."""

    before: Record | None
    after: Record | None

    @property
    def change(self) -> Change:
        before, after = self.before, self.after
        if after is None:
            return "gone"
        if before is None:
            return "new"
        if any(before[name] != after[name] for name in ("onset", "cleared")):
            return "moved"
        return "same" if before["priority"] == after["priority"] else "other priority"

    @property
    def record(self) -> Record:
        """Return the alert after the change, or before it if it is gone."""
        found = self.after or self.before
        assert found is not None
        return found

    def json(self) -> dict[str, Any]:
        """Return one JSON object: the change, and the alert before and after."""
        return {"change": self.change, "before": self.before, "after": self.after}


def pairs(before: Iterable[Record], after: Iterable[Record]) -> list[Pair]:
    """Pair every alert of both runs, by onset, then hammer, then fault."""
    points: dict[tuple[str, str, str], tuple[list[Record], list[Record]]] = {}
    for which, records in enumerate((before, after)):
        for record in sorted(records, key=lambda one: str(one["onset"])):
            point = record["site"], record["hammer"], record["fault"]
            points.setdefault(point, ([], []))[which].append(record)
    found = [pair for own in points.values() for pair in _paired(*own)]
    return sorted(found, key=lambda pair: (pair.record["onset"], pair.record["hammer"], pair.record["fault"]))


def _paired(before: list[Record], after: list[Record]) -> Iterable[Pair]:
    of_onset = {one["onset"]: one for one in before}
    alike = [Pair(of_onset.pop(one["onset"]), one) for one in after if one["onset"] in of_onset]
    taken = {pair.record["onset"] for pair in alike}
    left = list(of_onset.values())
    yield from alike
    for one in (one for one in after if one["onset"] not in taken):
        other = next((old for old in left if _overlap(old, one)), None)
        if other is not None:
            left.remove(other)
        yield Pair(other, one)
    yield from (Pair(one, None) for one in left)


def _overlap(one: Record, other: Record) -> bool:
    return _onset(one) <= _end(other) and _onset(other) <= _end(one)


def _onset(record: Record) -> Instant:
    return instant.parse(record["onset"])


def _end(record: Record) -> Instant:
    return instant.LATEST if record["cleared"] is None else instant.parse(record["cleared"])
