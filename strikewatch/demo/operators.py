"""The invented operators of the site, each with habits. Pseudonyms only; nobody real is meant."""

from dataclasses import dataclass
from typing import Final

Range = tuple[float, float]
"""Lowest and highest value; drawn uniformly."""


@dataclass(frozen=True, slots=True)
class Operator:
    """How one person works. Shares are per spot; times in seconds unless the name says otherwise.

    `cools_at_c`: oil temperature at which this person pauses, None = never. `grease_after_h`: hours of
    running after which this person greases, None = never. `flow`: share of rated flow (by engine speed).
    """

    name: str
    nature: str
    spot_s: Range = (7.0, 12.5)
    linger_share: float = 0.0
    linger_s: Range = (17.0, 34.0)
    reposition_s: Range = (3.0, 7.0)
    early_share: float = 0.0
    early_s: Range = (1.3, 3.5)
    through_share: float = 0.0
    through_s: Range = (1.5, 6.5)
    skate_share: float = 0.003
    release_s: Range = (0.15, 0.5)
    flow: float = 1.0
    grease_after_h: float | None = 1.7
    strokes: tuple[int, ...] = (12, 12)
    checks: bool = True
    signs_off: bool = True
    cools_at_c: float | None = 79.0


OPERATORS: Final[dict[str, Operator]] = {
    operator.name: operator
    for operator in (
        Operator("op-11", "careful in everything", skate_share=0.0),
        Operator(
            "op-12", "stays in one spot until the stone gives in", linger_share=0.18, spot_s=(9.0, 14.0)
        ),
        Operator("op-13", "never greases on time", grease_after_h=None),
        Operator(
            "op-14",
            "fires before the tool is set, hot oil or not",
            early_share=0.14,
            cools_at_c=None,
            reposition_s=(2.4, 5.0),
        ),
        Operator(
            "op-15", "lets the tool fall through the broken stone", through_share=0.14, skate_share=0.01
        ),
        Operator(
            "op-16", "quick between spots, works on in hot oil", reposition_s=(1.0, 1.7), cools_at_c=None
        ),
        Operator(
            "op-17",
            "turns the engine down to save fuel",
            flow=0.82,
            skate_share=0.0,
            grease_after_h=1.9,
            strokes=(6, 5),
        ),
        Operator(
            "op-18",
            "new, a little of everything, forgets to sign off",
            linger_share=0.06,
            early_share=0.05,
            through_share=0.05,
            grease_after_h=2.4,
            strokes=(8, 9),
            checks=False,
            signs_off=False,
        ),
    )
}
