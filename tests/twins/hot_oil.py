"""hot_oil: hammer worked with the oil above 80 °C, read slowly."""

from collections.abc import Sequence

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, seconds
from tests.twins.knowledge import Record, Row, Span, admitted, both, firing, known, length
from tests.twins.whose import operator_at

FOREVER = 2**62


def hot_spells(
    rows: Sequence[Row], *, hot_c: float = 80.0, cool_c: float = 78.0, on_delay_s: float = 5.0
) -> list[Span]:
    """From the instant the oil became hot to the instant it is cool again (or for ever)."""
    delay = seconds(on_delay_s)
    spells: list[Span] = []
    hot_at: int | None = None
    above_since: int | None = None
    above_until: int | None = None
    for piece in known(rows, "oil_c"):
        if hot_at is not None:
            if piece.value <= cool_c:
                spells.append((hot_at, piece.start))
                hot_at = above_since = None
            continue
        if piece.value <= hot_c:
            above_since = None
            continue
        if above_since is None or piece.start != above_until:
            above_since = piece.start
        above_until = piece.end
        if above_since + delay < piece.end:
            hot_at = above_since + delay
    if hot_at is not None:
        spells.append((hot_at, FOREVER))
    return spells


def find(
    rows: Sequence[Row],
    events: Sequence[Event],
    end: int,
    *,
    hot_c: float = 80.0,
    cool_c: float = 78.0,
    high_c: float = 85.0,
    on_delay_s: float = 5.0,
    on_bar: float = 80.0,
    off_bar: float = 60.0,
) -> list[Record]:
    rows = admitted(rows)
    bouts = firing(rows, on_bar=on_bar, off_bar=off_bar)
    records = []
    for spell in hot_spells(rows, hot_c=hot_c, cool_c=cool_c, on_delay_s=on_delay_s):
        worked = both(bouts, [spell])
        if not worked or worked[0][0] > end:
            continue
        onset = worked[0][0]
        peak = max(
            piece.value
            for piece in known(rows, "oil_c")
            if piece.start < spell[1] and piece.end > spell[0] and piece.start <= end
        )
        records.append(
            Record(
                fault="hot_oil",
                onset=onset,
                cleared=spell[1] if spell[1] <= end else None,
                priority="high" if peak > high_c else "medium",
                operator=operator_at(events, onset),
                evidence={"peak_c": peak, "firing_s": length(worked, spell[0], end) / SECOND},
            )
        )
    return records
