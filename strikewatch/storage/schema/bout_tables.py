"""Tables of exposure, which rates are calculated over: one row per bout of firing and per stretch of work.

Instants are event time.
"""

from typing import Any, Final

from sqlalchemy import BigInteger, Column, Double, Index, Table, Text

from strikewatch.core.bout import REASONS, AttributedBout
from strikewatch.core.stretch import AttributedStretch
from strikewatch.storage.schema.tables import metadata

bouts: Final = Table(
    "bouts",
    metadata,
    Column("site", Text, primary_key=True),
    Column("hammer", Text, primary_key=True),
    Column("start_ns", BigInteger, primary_key=True),
    Column("end_ns", BigInteger, nullable=False),
    Column("operator", Text),
    Column("tool", Text),
    Column("judged_ns", BigInteger, nullable=False),
    Column("blank_ns", BigInteger, nullable=False),
    Column("not_judged", Text),
    Column("blows", BigInteger),
    Column("blank_blows", BigInteger),
    Column("level_bar", Double),
    Column("loaded_level_bar", Double),
    Column("rate_hz", Double),
    Column("pulse_spread_bar", Double),
    sqlite_with_rowid=False,
)
Index("bouts_by_start", bouts.c.start_ns)

exposure: Final = Table(
    "exposure",
    metadata,
    Column("site", Text, primary_key=True),
    Column("hammer", Text, primary_key=True),
    Column("start_ns", BigInteger, primary_key=True),
    Column("end_ns", BigInteger, nullable=False),
    Column("operator", Text),
    Column("tool", Text),
    Column("operating_ns", BigInteger, nullable=False),
    Column("firing_ns", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)
Index("exposure_by_start", exposure.c.start_ns)

_COUNTS: Final = ("blows", "blank_blows")
_MEASURED: Final = ("level_bar", "loaded_level_bar", "rate_hz", "pulse_spread_bar")


def bout_row(worked: AttributedBout) -> dict[str, Any]:
    """Return the columns of a bout's row."""
    bout = worked.bout
    site, hammer = bout.key
    return {
        "site": site,
        "hammer": hammer,
        "start_ns": bout.start,
        "end_ns": bout.end,
        "operator": worked.operator,
        "tool": worked.tool,
        "judged_ns": int(bout.judged_ns),
        "blank_ns": int(bout.blank_ns),
        "not_judged": REASONS[int(bout.not_judged)],
        **{name: _known(getattr(bout, name), int) for name in _COUNTS},
        **{name: _known(getattr(bout, name), float) for name in _MEASURED},
    }


def stretch_row(spent: AttributedStretch) -> dict[str, Any]:
    """Return the columns of the row of a stretch of work."""
    stretch = spent.stretch
    return {
        "site": stretch.key[0],
        "hammer": stretch.key[1],
        "start_ns": stretch.start,
        "end_ns": stretch.end,
        "operator": spent.operator,
        "tool": spent.tool,
        "operating_ns": int(stretch.operating_ns),
        "firing_ns": int(stretch.firing_ns),
    }


def _known(value: float, kind: type[int] | type[float]) -> float | None:
    return kind(value) if value == value else None
