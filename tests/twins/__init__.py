"""The slow twins: guide/faults.md in plain Python, one file a fault, to hold the detectors against.

Each twin takes a whole recording of one hammer (rows in order of arrival, its events) and the end of the
recording (the latest row time of any hammer), and returns plain records.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from strikewatch.core.events import Event
from tests.twins import cold_oil, grease, hot_oil, misuse, same_spot, sensor_fault, signal_lost
from tests.twins.knowledge import Record, Row

TWINS: Final[dict[str, Callable[..., list[Record]]]] = {
    "same_spot": same_spot.find,
    "hot_oil": hot_oil.find,
    "cold_oil": cold_oil.find,
    "grease": grease.find,
    "signal_lost": signal_lost.find,
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
    """Every record of one hammer, by onset, ties by fault. `settings` holds keyword arguments by twin."""
    settings = settings or {}
    records: list[Record] = []
    for name, find in TWINS.items():
        records += find(rows, events, end, **settings.get(name, {}))
    return sorted(records, key=lambda record: (record.onset, record.fault))
