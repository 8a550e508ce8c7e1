"""What an entry that somebody writes down must say, so that an empty form never resets a clock.

Gateways are held to the contract alone: there a bare service is one. People are asked what was done.
"""

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from strikewatch.core.events import Event


class Need(NamedTuple):
    """Fields of which one must be given, and what to say where none is."""

    one_of: tuple[str, ...]
    say: str


NEEDS: Final[Mapping[str, Need]] = {
    "grease": Need(("strokes", "method"), "enter the strokes to each nipple, or how it was greased"),
    "inspection": Need(
        ("bushing", "bushing_new", "bore_mm", "tool_mm", "tool_length_mm", "nothing_measured"),
        "enter the wear grooves or a measurement, or tick that nothing was measured",
    ),
    "service": Need(("seals", "diaphragms"), "tick what was serviced"),
    "relearn": Need(("note",), "say why the loaded level is to be learned anew"),
    "withdrawal": Need(("corrects",), "name the entry to withdraw"),
}
"""The other kinds have fields that every event of theirs must have."""


def missing(event: Event) -> dict[str, str]:
    """What is missing, by field; empty where nothing is."""
    need = NEEDS.get(event.kind)
    if need is None or any(_says(event.fields.get(name)) for name in need.one_of):
        return {}
    return {need.one_of[0]: need.say}


def _says(value: Any) -> bool:
    return value not in (None, False, "", [])
