"""Which tool suits which work. Common practice in the trade, without a published source: it defers to the handbooks of
the hammer and of the tool."""

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from strikewatch.review.wear.limits import PRACTICE

NAMES: Final = {
    "blunt": "blunt tool",
    "hard_blunt": "harder blunt tool",
    "moil": "moil point",
    "chisel": "chisel",
}
"""The tools that advice is given of, by the words of a `tool_change`."""
_WORK: Final = {
    "boulders": "breaking boulders",
    "trenching": "trenching",
    "benching": "benching",
    "demolition": "demolition",
}


class Advice(NamedTuple):
    """The tool, one of NAMES, and why in words."""

    tool: str
    why: str


def told(work: Mapping[str, Any]) -> str:
    """The work in words."""
    kinds = {"hard": "hard", "abrasive": "very abrasive", "cut_edge": "a cut edge is needed"}
    return ", ".join([_WORK[work["work"]], *(words for name, words in kinds.items() if work.get(name))])


def advise(work: Mapping[str, Any]) -> Advice:
    """The tool for work as a `work` event tells it: `work`, and, true, false or not told, `hard`, `abrasive` and
    `cut_edge`."""
    if work.get("cut_edge"):
        wears = " In very abrasive material it wears fast: measure it often." if work.get("abrasive") else ""
        return Advice("chisel", f"A chisel cuts an edge where it is set.{wears}")
    if work.get("abrasive"):
        return Advice(
            "hard_blunt",
            "Very abrasive material takes a point away fast; a harder blunt form keeps its shape.",
        )
    if work["work"] != "boulders":
        return Advice("moil", "Material in place has to be penetrated before it splits; a moil point does.")
    if work.get("hard") is False:
        return Advice("moil", "Soft rock does not shatter under a blunt tool; a moil point penetrates it.")
    return Advice(
        "blunt",
        "Loose, hard boulders shatter by shock; a blunt tool stays where it is set and spreads the blow.",
    )


def suits(fitted: str | None, work: Mapping[str, Any]) -> str | None:
    """A note where the fitted tool is another than is advised; None where it is that one, or nothing is known of it."""
    advice = advise(work)
    if fitted not in NAMES or fitted == advice.tool:
        return None
    return (
        f"The {NAMES[fitted]} fitted is not what suits the recorded work ({told(work)}): {advice.why} "
        f"Consider a {NAMES[advice.tool]}. {PRACTICE}"
    )
