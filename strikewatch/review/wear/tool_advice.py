"""Advise on the tool for the work. Common practice, no published source: the operator's manuals of hammer and tool
take precedence."""

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from strikewatch.review.wear.limits import PRACTICE

NAMES: Final = {
    "blunt": "blunt tool",
    "hard_blunt": "harder blunt tool",
    "moil": "moil point",
    "chisel": "chisel",
}
"""The tools that the advice covers, by the values of `tool` in a `tool_change`."""
_WORK: Final = {
    "boulders": "breaking boulders",
    "trenching": "trenching",
    "benching": "benching",
    "demolition": "demolition",
}


class Advice(NamedTuple):
    """The tool, one of NAMES, and the reason as a sentence."""

    tool: str
    why: str


def describe_work(work: Mapping[str, Any]) -> str:
    """Describe the work of a `work` event."""
    kinds = {"hard": "hard", "abrasive": "very abrasive", "cut_edge": "a cut edge is needed"}
    return ", ".join([_WORK[work["work"]], *(words for name, words in kinds.items() if work.get(name))])


def advise(work: Mapping[str, Any]) -> Advice:
    """Return the tool for the work of a `work` event: `work`, and optionally `hard`, `abrasive` and `cut_edge`."""
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


def mismatch_note(fitted: str | None, work: Mapping[str, Any]) -> str | None:
    """Return a note if the fitted tool is not the advised one; None if it is, or if it is not known."""
    advice = advise(work)
    if fitted not in NAMES or fitted == advice.tool:
        return None
    return (
        f"The fitted {NAMES[fitted]} does not suit the recorded work ({describe_work(work)}): {advice.why} "
        f"Consider a {NAMES[advice.tool]}. {PRACTICE}"
    )
