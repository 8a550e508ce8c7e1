"""Suggest the known key that an unknown key was probably meant to be."""

from collections.abc import Sequence
from difflib import get_close_matches
from typing import Final

from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.sources.decode.times import TIME_KEYS

KNOWN: Final = (*sorted(TIME_KEYS), "step_s", *CHANNELS, *ALIASES)
_LIKE: Final = 0.6
_LENGTH: Final = 80


def nearest(key: str, known: Sequence[str] = KNOWN) -> str | None:
    """Return the known key with the most similar spelling, or else with the same first word; None if there is none."""
    plain = key[:_LENGTH].lower().replace("-", "_").replace(" ", "_")
    if close := get_close_matches(plain, known, n=1, cutoff=_LIKE):
        return close[0]
    first = plain.partition("_")[0]
    return next((name for name in known if name.partition("_")[0] == first), None)


def advice(key: str, known: Sequence[str] = KNOWN) -> str:
    """Return a message that names an unknown key and the suggestion."""
    shown = "".join(one if one.isprintable() else "\ufffd" for one in key[:_LENGTH])
    meant = nearest(key, known)
    return f"unknown key `{shown}`" + (f"; did you mean `{meant}`?" if meant else "; it is not used")
