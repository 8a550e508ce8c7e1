"""What readings of wear mean: the lower bushing reused, turned or replaced, and tools against their limits.

The rule of the two grooves is common practice, without a published source. Limits in millimetres come from the hammer's
handbook; none is invented, and without one a reading is only shown.
"""

from typing import Final, Literal, NamedTuple

from pydantic import Field

from strikewatch.detectors.base import DetectorSettings

PRACTICE: Final = "Common practice, no published source; the hammer's handbook comes first."


class Settings(DetectorSettings):
    """What a hammer's handbook says of wear."""

    bore_limit_mm: float | None = Field(
        None,
        gt=0,
        description="Bore of the lower bushing from which it is worn out, mm; from the handbook; left out: only shown",
    )
    tool_diameter_limit_mm: float | None = Field(
        None,
        gt=0,
        description="Diameter of the tool in its guide down to which it is worn out, mm; likewise",
    )
    tool_length_limit_mm: float | None = Field(
        None, gt=0, description="Length of the tool down to which it is worn out, mm; likewise"
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
    """What to do, and why in words; `verdict` None where nothing can be said."""

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
        "turn", "The second wear groove is nearly gone: turn the bushing, once, and use it on."
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
    """A lower bushing with two wear grooves, by their state and whether it was turned (None: not told)."""
    return _BUSHING[state, turned_before]


def bore(bore_mm: float, limit_mm: float | None) -> Decision:
    """A lower bushing by its bore at its most worn, against the handbook's limit."""
    if limit_mm is None:
        return Decision(
            None, "No limit of the bore is set (faults.wear.bore_limit_mm); see the hammer's handbook."
        )
    if bore_mm >= limit_mm:
        return Decision("replace", f"The bore, {bore_mm:g} mm, has reached the limit of {limit_mm:g} mm.")
    return Decision("reuse", f"The bore, {bore_mm:g} mm, is below the limit of {limit_mm:g} mm.")


def lower_bushing(
    state: Groove | None, turned_before: bool | None, bore_mm: float | None, limit_mm: float | None
) -> Decision:
    """By its grooves; by its bore where none are told of, or where that has reached the handbook's limit."""
    worn = limit_mm is not None and bore_mm is not None and bore_mm >= limit_mm
    if bore_mm is not None and (state is None or worn):
        return bore(bore_mm, limit_mm)
    if state is not None:
        return bushing(state, turned_before)
    return Decision(None, "Neither the wear grooves nor the bore were told of.")


def tool(what: str, value_mm: float, limit_mm: float | None, setting: str) -> Decision:
    """The fitted tool by its diameter or length (`what`), which wear makes less; `setting` names the limit."""
    if limit_mm is None:
        return Decision(
            None, f"No limit of the tool's {what} is set (faults.wear.{setting}); see the hammer's handbook."
        )
    if value_mm <= limit_mm:
        return Decision(
            "replace", f"The tool's {what}, {value_mm:g} mm, has reached the limit of {limit_mm:g} mm."
        )
    return Decision("reuse", f"The tool's {what}, {value_mm:g} mm, is above the limit of {limit_mm:g} mm.")
