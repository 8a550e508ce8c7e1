"""signal_lost: no row for 30 s while the carrier was working, read slowly."""

from collections.abc import Sequence

from strikewatch.core.events import Event
from strikewatch.core.instant import seconds
from tests.twins.knowledge import Record, Row, admitted, known, samples, value_at
from tests.twins.whose import operator_at


def find(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    silence_s: float = 30.0,
    working_rpm: float = 400.0,
    row_gap_s: float = 10.0,
) -> list[Record]:
    rows = admitted(rows)
    engine = known(rows, "engine_rpm")
    records = []
    for i, row in enumerate(rows):
        if samples(rows, "engine_rpm"):
            rpm = value_at(engine, row.time_ns)
            worked = rpm is not None and rpm > working_rpm
        else:
            worked = i > 0 and row.time_ns - rows[i - 1].time_ns <= seconds(row_gap_s)
        onset = row.time_ns + seconds(silence_s)
        following = rows[i + 1].time_ns if i + 1 < len(rows) else None
        if worked and onset <= end and (following is None or onset <= following):
            records.append(Record("signal_lost", onset, following, "low", operator_at(events, onset)))
    return records
