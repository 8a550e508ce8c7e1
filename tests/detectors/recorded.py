"""A recording in memory, to compare the detectors with their twins."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from strikewatch.core.alert import Alert
from strikewatch.core.batch import Batch, Floats, Key, Portion, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.alert_tracker import AlertTracker
from strikewatch.engine.pipeline import Pipeline
from strikewatch.service.recorded.replay import ReplayResult, replay_shifts
from strikewatch.settings.faults import Faults
from strikewatch.sources.recordings.shift import Shift, present

SITE = "fennick-hollow"
START = 1_772_608_500 * SECOND


class MemoryShift(Shift):
    """Rows by hammer, in order of arrival."""

    place = "memory"

    def __init__(self, rows: Mapping[str, Rows], events: Mapping[str, Sequence[Event]]) -> None:
        super().__init__()
        self._rows = rows
        self.total = sum(map(len, rows.values()))
        self.events = [event for of_hammer in events.values() for event in of_hammer]

    def pieces(self) -> Iterator[tuple[Key, Rows]]:
        return (((SITE, hammer), rows) for hammer, rows in self._rows.items())

    def feeds(self) -> dict[Key, set[str]]:
        return {key: present(rows) for key, rows in self.pieces()}


def faults_of(twin_settings: Mapping[str, Mapping[str, Any]]) -> Faults:
    """Convert the keyword arguments of the twins to the settings of the detectors."""
    names = {
        "hot_oil": {"hot_c": "limit_c"},
        "cold_oil": {"cold_firing_s": "firing_s"},
        "grease": {
            "limit_s": "overdue_s",
            "row_gap_s": "steady_s",
            "single_strokes": "strokes_single",
            "each_strokes": "strokes_each",
        },
        "signal_lost": {"row_gap_s": "steady_s"},
    }
    tables: dict[str, dict[str, Any]] = {}
    for twin, keywords in twin_settings.items():
        for name, value in keywords.items():
            if name in ("on_bar", "off_bar"):
                tables.setdefault("firing", {})[name] = value
            elif twin == "misuse":
                tables[name] = dict(value)
            elif twin == "upkeep":
                for table, own in _upkeep(name, value).items():
                    tables.setdefault(table, {}).update(own)
            elif name == "arm":
                tables["pose"] = dict(value or {})
            elif name == "count_firing":
                tables.setdefault("grease", {})["clock"] = "firing" if value else "carrier"
            else:
                tables.setdefault(twin, {})[names.get(twin, {}).get(name, name)] = value
    return Faults.model_validate(tables)


def _upkeep(name: str, value: Any) -> dict[str, dict[str, Any]]:
    """Convert a keyword argument of the maintenance twin to settings by detector."""
    if name in ("break_h", "check_ahead_s"):
        return {"walk_round": {name.removeprefix("check_"): value}}
    if name == "storage_days":
        return {"long_storage": {"idle_days": value}}
    item, unit = name.split("_")
    stages = zip(("soon", "due", "overdue"), value, strict=True)
    return {"upkeep": {f"{item}_{stage}_{unit}": limit for stage, limit in stages}}


def alerts(
    rows: Mapping[str, Rows], events: Mapping[str, Sequence[Event]], faults: Faults, end: Instant
) -> list[Alert]:
    """Return the alerts at the end of the recording; two within a microsecond, which have one id, are two."""
    pipeline = Pipeline(lambda _key: faults.by_detector())
    found: dict[tuple[str, str, Instant], Alert] = {}
    for hammer, own in rows.items():
        key = (SITE, hammer)
        checked = {event.kind for event in events[hammer]} & {"check"}
        pipeline.declare_channels(key, present(own) | checked)
        in_order = tuple(sorted(events[hammer], key=lambda event: event.effective))
        outcome = pipeline.step(Batch([Portion(key, own, end, in_order)]), report=True)
        for alert in AlertTracker(historic_after_ns=0).apply_recorded(outcome.findings, outcome.on_duty):
            found[hammer, alert.fault, alert.onset] = alert
    return list(found.values())


def replayed(rows: Mapping[str, Rows], events: Mapping[str, Sequence[Event]], faults: Faults) -> ReplayResult:
    return replay_shifts([MemoryShift(rows, events)], lambda _key: faults.by_detector())


def rows_of(n: int, step_s: float = 0.1, **columns: Floats) -> Rows:
    """Return `n` rows from START on with these columns."""
    return Rows(START + np.arange(n, dtype=np.int64) * round(step_s * SECOND), columns)


def records_by_fault(rows: Rows) -> dict[str, list[dict[str, Any]]]:
    """Return the alert records of a replay of one hammer with the default settings."""
    by_fault: dict[str, list[dict[str, Any]]] = {}
    for record in replayed({"HB-01": rows}, {}, Faults()).records:
        by_fault.setdefault(record["fault"], []).append(record)
    return by_fault


def is_impossible(channel: str, *values: float) -> bool:
    """Tell whether the last of these values of a channel is taken for impossible."""
    pipeline = Pipeline(lambda _key: Faults().by_detector())
    rows = rows_of(len(values), **{channel: np.array(values)})
    outcome = pipeline.step(Batch([Portion((SITE, "HB-01"), rows, int(rows.time_ns[-1]))]))
    return bool(outcome.state[0]["sensor_fault"]["impossible"])
