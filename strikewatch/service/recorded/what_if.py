"""What-if runs: replay recorded shifts with changed settings, and pair the alerts of two runs.

Two alerts form a pair if hammer and fault are the same and their times overlap (an active alert has no end). Alerts
with the same onset are paired first, the others in order of onset; each alert is in at most one pair.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from strikewatch.core import instant
from strikewatch.core.instant import Instant
from strikewatch.detectors.registry import DETECTOR_OF
from strikewatch.errors import InputError
from strikewatch.service.recorded.recordings import Recordings
from strikewatch.settings.tree import Settings, with_faults

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Run:
    """The result of one run over all shifts."""

    records: list[dict[str, Any]]
    firing_h: float
    notes: tuple[str, ...] = ()

    def counts(self) -> Counter[str]:
        """Count the alerts by fault."""
        return Counter(record["fault"] for record in self.records)


def run(recordings: Recordings, changes: Mapping[str, Any] | None = None) -> Run:
    """Replay all recordings with their own settings, changed by `changes`. Raises InputError, SettingsError."""
    shifts = recordings.open()
    result = recordings.replay(shifts, change=lambda one: with_faults(one, changes or {}))
    return Run(result.records, sum(result.firing_h.values()), (*recordings.notes(shifts), *result.notes()))


def sweep(
    recordings: Recordings, name: str, values: Sequence[float], progress: Progress | None = None
) -> list[Run]:
    """Make one run for each value of a setting; all values are checked before the first run."""
    for value in values:
        with_faults(recordings.settings, {name: value})
    runs = []
    for k, value in enumerate(values):
        runs.append(run(recordings, {name: value}))
        if progress:
            progress(k + 1, len(values))
    return runs


def parse_sweep(text: str) -> list[float]:
    """Parse the values of a sweep: `8:30:2`, including the last, or `8,12,15`. Raises InputError."""
    try:
        if ":" in text:
            first, last, step = (float(part) for part in text.split(":"))
            if step <= 0 or last < first:
                raise ValueError
            found = [round(first + k * step, 9) for k in range(int((last - first) / step + 1e-9) + 1)]
        else:
            found = sorted({float(part) for part in text.split(",")})
    except ValueError:
        raise InputError(f"--sweep: {text!r} is neither FIRST:LAST:STEP nor a list such as 8,12,15") from None
    if not 2 <= len(found) <= 100:
        raise InputError(f"--sweep: {text!r} is {len(found)} values; give 2 to 100")
    return found


def faults_of(name: str) -> list[str]:
    """Return the faults that a setting affects: those of its detector, or all for shared ones (`faults.firing`)."""
    detector = name.split(".")[1]
    return [fault for fault, owner in DETECTOR_OF.items() if owner == detector] or list(DETECTOR_OF)


def current_value(settings: Settings, name: str) -> Any:
    """Return the current value of a setting."""
    _, detector, setting = name.split(".")
    return getattr(getattr(settings.faults, detector), setting)


def parse_changes(texts: Sequence[str]) -> Mapping[str, Any]:
    """Parse `name=value` pairs, with values as in the settings file. Raises InputError."""
    import tomllib

    found = {}
    for text in texts:
        name, equals, value = text.partition("=")
        try:
            found[name.strip()] = tomllib.loads(f"value = {value}")["value"] if equals else None
        except tomllib.TOMLDecodeError:
            found[name.strip()] = value.strip()  # a word without quotes
        if not equals or not value.strip():
            raise InputError(f"--set {text}: write NAME=VALUE, such as faults.same_spot.limit_s=12")
    return {
        name: float(v) if isinstance(v, int) and not isinstance(v, bool) else v for name, v in found.items()
    }


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
