"""Small feeds for checks against the outside."""

import numpy as np

from strikewatch.core.batch import Floats, Rows
from strikewatch.core.instant import SECOND
from strikewatch.service.replay import replay_shifts
from strikewatch.settings.faults import Faults
from tests.detectors.recorded import MemoryShift

START = 1_772_608_500 * SECOND


def rows_of(n: int, step_s: float = 0.1, **columns: Floats) -> Rows:
    return Rows(START + np.arange(n, dtype=np.int64) * round(step_s * SECOND), columns)


def found(rows: Rows) -> dict[str, list[dict[str, object]]]:
    """Alert records by fault."""
    faults = Faults().by_detector()
    records = replay_shifts([MemoryShift({"HB-01": rows}, {})], lambda _key: faults).records
    by_fault: dict[str, list[dict[str, object]]] = {}
    for record in records:
        by_fault.setdefault(record["fault"], []).append(record)
    return by_fault
