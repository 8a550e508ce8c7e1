"""What-if runs: replay recorded shifts with changed settings."""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from strikewatch.detectors.registry import DETECTOR_OF
from strikewatch.errors import InputError
from strikewatch.service.recordings import Recordings
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
