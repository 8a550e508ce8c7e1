"""Bouts: a bout is one run of firing, from the first blow to the release, with what was measured of it."""

from typing import Any, Final, Literal, NamedTuple

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant

NotAssessed = Literal["no pressure", "sparse", "short", "learning", "pump changed", "unclear"]
"""Why a bout could not be assessed for blank firing: no pressure was sampled during it; samples were too sparse; it was
shorter than the start-up transient; the baseline of the hammer was not known yet; the whole bout was at another level,
and so was the one before it; samples are so sparse, or scatter so much, that not even 3 s of blank blows would show."""

REASONS: Final[tuple[NotAssessed | None, ...]] = (
    None,
    "no pressure",
    "sparse",
    "short",
    "learning",
    "pump changed",
    "unclear",
)


class Bout(NamedTuple):
    """One bout of a hammer; NaN where unknown.

    `judged_ns`: how much of it could be assessed for blank firing; `blank_ns`: how much is suspected blank. `blows` and
    `blank_blows` are counted in fast feeds only. `level_bar`: mean pressure of its loaded part; `loaded_level_bar`: the
    baseline of this hammer at the same engine speed. `not_judged` indexes `REASONS`.
    """

    key: Key
    start: Instant
    end: Instant
    judged_ns: float
    blank_ns: float
    blows: float
    blank_blows: float
    level_bar: float
    loaded_level_bar: float
    rate_hz: float
    pulse_spread_bar: float
    not_judged: float


class AttributedBout(NamedTuple):
    """A bout with the operator signed on and the tool fitted when it began."""

    bout: Bout
    operator: str | None
    tool: str | None

    def record(self) -> dict[str, Any]:
        """Return the bout as a JSON object: operator, tool, seconds, blows, levels; None where unknown."""
        bout = self.bout
        site, hammer = bout.key
        return {
            "site": site,
            "hammer": hammer,
            "operator": self.operator,
            "tool": self.tool,
            "start": instant.text(bout.start),
            "end": instant.text(bout.end),
            "firing_s": _rounded((bout.end - bout.start) / SECOND, 3),
            "judged_s": _rounded(bout.judged_ns / SECOND, 3),
            "not_judged": REASONS[int(bout.not_judged)],
            "blank_s": _rounded(bout.blank_ns / SECOND, 3),
            "blows": _count(bout.blows),
            "blank_blows": _count(bout.blank_blows),
            "level_bar": _rounded(bout.level_bar, 1),
            "loaded_level_bar": _rounded(bout.loaded_level_bar, 1),
            "blows_per_min": _rounded(60.0 * bout.rate_hz, 0),
            "pulse_spread_bar": _rounded(bout.pulse_spread_bar, 1),
        }


def _rounded(value: float, digits: int) -> float | None:
    return round(value, digits) if value == value else None


def _count(value: float) -> int | None:
    return int(value) if value == value else None


FIELDS: Final[tuple[str, ...]] = tuple(
    AttributedBout(Bout(("", ""), 0, 0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0), None, None).record()
)
"""Keys of the record of a bout, in order."""
