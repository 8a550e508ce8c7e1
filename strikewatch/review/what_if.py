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
        record = self.after or self.before
        assert record is not None
        return record

    def json(self) -> dict[str, Any]:
        """Return one JSON object: the change, and the alert before and after."""
        return {"change": self.change, "before": self.before, "after": self.after}


def pairs(before: Iterable[Record], after: Iterable[Record]) -> list[Pair]:
    """Pair every alert of both runs, by onset, then hammer, then fault."""
    by_fault: dict[tuple[str, str, str], tuple[list[Record], list[Record]]] = {}
    for run, records in enumerate((before, after)):
        for record in sorted(records, key=lambda record: str(record["onset"])):
            key = record["site"], record["hammer"], record["fault"]
            by_fault.setdefault(key, ([], []))[run].append(record)
    paired = [pair for records_of_fault in by_fault.values() for pair in _paired(*records_of_fault)]
    return sorted(
        paired, key=lambda pair: (pair.record["onset"], pair.record["hammer"], pair.record["fault"])
    )


def _paired(before: list[Record], after: list[Record]) -> Iterable[Pair]:
    by_onset = {record["onset"]: record for record in before}
    same_onset = [
        Pair(by_onset.pop(record["onset"]), record) for record in after if record["onset"] in by_onset
    ]
    paired_onsets = {pair.record["onset"] for pair in same_onset}
    unpaired = list(by_onset.values())
    yield from same_onset
    for record in (record for record in after if record["onset"] not in paired_onsets):
        overlapping = next((old for old in unpaired if _overlap(old, record)), None)
        if overlapping is not None:
            unpaired.remove(overlapping)
        yield Pair(overlapping, record)
    yield from (Pair(record, None) for record in unpaired)


def _overlap(first: Record, second: Record) -> bool:
    return _onset(first) <= _end(second) and _onset(second) <= _end(first)


def _onset(record: Record) -> Instant:
    return instant.parse(record["onset"])


def _end(record: Record) -> Instant:
    return instant.LATEST if record["cleared"] is None else instant.parse(record["cleared"])
