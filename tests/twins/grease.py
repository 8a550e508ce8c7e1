"""grease_due, grease_overdue and grease_short, read slowly."""

from collections.abc import Sequence

from strikewatch.core.alert import Priority
from strikewatch.core.events import Event
from strikewatch.core.instant import seconds
from tests.twins.knowledge import Record, Row, admitted, firing, reached, working
from tests.twins.whose import in_order, operator_at


def find(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    due_s: float = 6300.0,
    limit_s: float = 7200.0,
    high_s: float = 10800.0,
    count_firing: bool = False,
    working_rpm: float = 400.0,
    row_gap_s: float = 10.0,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
    single_strokes: int = 15,
    each_strokes: int = 10,
) -> list[Record]:
    rows = admitted(rows)
    if count_firing:
        clock = firing(rows, on_bar=on_bar, off_bar=off_bar)
    else:
        clock = working(rows, working_rpm=working_rpm, row_gap_s=row_gap_s)
    greasings = in_order(events, "grease")
    times = [event.effective for event in greasings]

    def by_clock(zero: int, amount_s: float, greased: int | None) -> int | None:
        """When the clock, zero at `zero`, reaches the amount, if it does before it is set back."""
        instant = reached(clock, zero, seconds(amount_s))
        if instant is None or instant > end or (greased is not None and instant > greased):
            return None
        return instant

    records = []
    for zero, greased in zip([0, *times], [*times, None], strict=True):
        due = by_clock(zero, due_s, greased)
        if due is not None:
            records.append(Record("grease_due", due, greased, "low", operator_at(events, due)))
        overdue = by_clock(zero, limit_s, greased)
        if overdue is not None:
            high = by_clock(zero, high_s, greased) is not None
            priority: Priority = "high" if high else "medium"
            records.append(Record("grease_overdue", overdue, greased, priority, operator_at(events, overdue)))

    for event, following in zip(greasings, [*times[1:], None], strict=False):
        strokes = event.fields.get("strokes") or []
        needed = single_strokes if len(strokes) == 1 else each_strokes
        manual = event.fields.get("method", "manual") == "manual"
        if manual and any(given < needed for given in strokes):
            onset = event.effective
            records.append(Record("grease_short", onset, following, "low", operator_at(events, onset)))
    return records
