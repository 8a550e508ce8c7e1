"""Slow twins: the faults of guide/faults.md in plain Python, to compare the detectors with.

Each twin takes a whole recording of one hammer (rows in order of arrival, its events) and the end of the
recording (the latest row time of any hammer), and returns plain records.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from strikewatch.core.events import Event
from tests.twins import greasing, misuse, oil, operating_time, same_spot, sensor_fault
from tests.twins.signals import Record, Row

TWINS: Final[dict[str, Callable[..., list[Record]]]] = {
    "same_spot": same_spot.find,
    "hot_oil": oil.find_hot_oil,
    "cold_oil": oil.find_cold_oil,
    "grease": greasing.find_manual,
    "signal_lost": operating_time.find_signal_lost,
    "sensor_fault": sensor_fault.find,
    "misuse": misuse.find,
}

MISUSE: Final = tuple(misuse.RULES)

FAULTS: Final = (
    "same_spot",
    "hot_oil",
    "cold_oil",
    "grease_due",
    "grease_overdue",
    "grease_short",
    "signal_lost",
    "sensor_fault",
    *MISUSE,
)


def find_all(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    settings: Mapping[str, Mapping[str, Any]] | None = None,
) -> list[Record]:
    """Return every record of one hammer, sorted by onset and fault. `settings`: keyword arguments by twin."""
    settings = settings or {}
    records: list[Record] = []
    for name, find in TWINS.items():
        records += find(rows, events, end, **settings.get(name, {}))
    return sorted(records, key=lambda record: (record.onset, record.fault))
