"""Advice on bushings and tools: reuse, turn or replace them by their readings of wear; which tool suits the work.

The rule of the two grooves and the tools are common practice, no published source. Limits in millimetres come from the
hammer's operator's manual; none is invented, and without a limit a reading is only shown.
"""

from collections.abc import Mapping
from typing import Any, Final, Literal, NamedTuple

from pydantic import Field

from strikewatch.detectors.base import DetectorSettings

PRACTICE: Final = "Common practice, no published source; the operator's manual takes precedence."


class Settings(DetectorSettings):
    """A hammer's wear limits, from its operator's manual."""

    bore_limit_mm: float | None = Field(
        None,
        gt=0,
        description="Bore at which the lower bushing is worn out, mm; see the operator's manual; unset: only shown",
    )
    tool_diameter_limit_mm: float | None = Field(
        None,
        gt=0,
        description="Diameter in its guide at which the tool is worn out, mm; see the operator's manual",
    )
    tool_length_limit_mm: float | None = Field(
        None, gt=0, description="Length at which the tool is worn out, mm; see the operator's manual"
    )


Groove = Literal["first_groove_visible", "second_groove_visible", "second_groove_faint", "second_groove_gone"]
GROOVES: Final[tuple[Groove, ...]] = (
    "first_groove_visible",
    "second_groove_visible",
    "second_groove_faint",
    "second_groove_gone",
)
"""States of the two wear grooves, from new to worn out."""

Verdict = Literal["reuse", "turn", "replace"]


class Decision(NamedTuple):
    """What to do, and the reason as a sentence; `verdict` is None if that is not known."""

    verdict: Verdict | None
    why: str


_BUSHING: Final[dict[tuple[Groove, bool | None], Decision]] = {
    **{
        ("first_groove_visible", turned): Decision("reuse", "The first wear groove is still visible.")
        for turned in (False, True, None)
    },
    **{
        ("second_groove_visible", turned): Decision(
            "reuse", "The first wear groove is gone, the second is visible."
        )
        for turned in (False, True, None)
    },
    ("second_groove_faint", False): Decision(
        "turn", "The second wear groove is nearly gone: turn the bushing, once, and keep it in use."
    ),
    ("second_groove_faint", True): Decision(
        "replace", "The second wear groove is nearly gone, and the bushing has been turned before."
    ),
    ("second_groove_faint", None): Decision(
        "turn",
        "The second wear groove is nearly gone: turn the bushing if it has not been turned before, else replace it.",
    ),
    **{
        ("second_groove_gone", turned): Decision("replace", "The second wear groove is gone.")
        for turned in (False, True, None)
    },
}


def bushing(state: Groove, turned_before: bool | None) -> Decision:
    """Judge a lower bushing by its two wear grooves and whether it was turned (None: not known)."""
    return _BUSHING[state, turned_before]


def bore(bore_mm: float, limit_mm: float | None) -> Decision:
    """Judge a lower bushing by its largest bore, against the limit in the operator's manual."""
    if limit_mm is None:
        return Decision(
            None,
            "No limit of the bore is set; see the operator's manual.",
        )
    if bore_mm >= limit_mm:
        return Decision("replace", f"The bore, {bore_mm:g} mm, has reached the limit of {limit_mm:g} mm.")
    return Decision("reuse", f"The bore, {bore_mm:g} mm, is below the limit of {limit_mm:g} mm.")


def lower_bushing(
    state: Groove | None, turned_before: bool | None, bore_mm: float | None, limit_mm: float | None
) -> Decision:
    """Judge a lower bushing by its grooves, or by its bore if they are not known or the bore has reached its limit."""
    worn = limit_mm is not None and bore_mm is not None and bore_mm >= limit_mm
    if bore_mm is not None and (state is None or worn):
        return bore(bore_mm, limit_mm)
    if state is not None:
        return bushing(state, turned_before)
    return Decision(None, "Neither the wear grooves nor the bore are recorded.")


def tool(what: str, value_mm: float, limit_mm: float | None) -> Decision:
    """Judge the fitted tool by its diameter or length (`what`), which wear reduces."""
    if limit_mm is None:
        return Decision(
            None,
            f"No limit of the tool's {what} is set; see the operator's manual.",
        )
    if value_mm <= limit_mm:
        return Decision(
            "replace", f"The tool's {what}, {value_mm:g} mm, has reached the limit of {limit_mm:g} mm."
        )
    return Decision("reuse", f"The tool's {what}, {value_mm:g} mm, is above the limit of {limit_mm:g} mm.")


TOOL_NAMES: Final = {
    "blunt": "blunt tool",
    "hard_blunt": "harder blunt tool",
    "moil": "moil point",
    "chisel": "chisel",
}
"""The tools that the advice covers, by the values of `tool` in a `tool_change`."""
_WORK_NAMES: Final = {
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
    return ", ".join([_WORK_NAMES[work["work"]], *(words for name, words in kinds.items() if work.get(name))])


def advise_tool(work: Mapping[str, Any]) -> Advice:
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
    advice = advise_tool(work)
    if fitted not in TOOL_NAMES or fitted == advice.tool:
        return None
    return (
        f"The fitted {TOOL_NAMES[fitted]} does not suit the recorded work ({describe_work(work)}): {advice.why} "
        f"Consider a {TOOL_NAMES[advice.tool]}. {PRACTICE}"
    )
