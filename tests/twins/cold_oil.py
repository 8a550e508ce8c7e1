"""cold_oil: 10 s of firing while the oil is below the hammer's limit, read slowly."""

from collections.abc import Sequence

from strikewatch.core.events import Event
from strikewatch.core.instant import seconds
from tests.twins.knowledge import Record, Row, admitted, both, firing, known, reached
from tests.twins.whose import operator_at


def find(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    cold_limit_c: float = 20.0,
    cold_firing_s: float = 10.0,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
) -> list[Record]:
    rows = admitted(rows)
    bouts = firing(rows, on_bar=on_bar, off_bar=off_bar)
    spells: list[tuple[list[tuple[int, int]], int | None]] = []
    cold: list[tuple[int, int]] = []
    for piece in known(rows, "oil_c"):
        if piece.value < cold_limit_c:
            cold.append((piece.start, piece.end))
        elif cold:
            spells.append((cold, piece.start))
            cold = []
    if cold:
        spells.append((cold, None))

    records = []
    for cold, cleared in spells:
        onset = reached(both(bouts, cold), 0, seconds(cold_firing_s))
        if onset is not None and onset <= end:
            records.append(Record("cold_oil", onset, cleared, "low", operator_at(events, onset)))
    return records
