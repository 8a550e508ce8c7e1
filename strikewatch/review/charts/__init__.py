"""Pictures drawn here: plain arrays in, inline SVG out.

Colours are the style sheet's (`pictures.css`), by class, and follow the reader's light or dark; none is ever the only
sign. Ids begin with the name given, so that many pictures may stand in one page. No style attributes and no script, so
that a strict content policy lets them through.
"""

from pathlib import Path


def style() -> str:
    """The style sheet that the pictures need, once a page."""
    return Path(__file__).with_name("pictures.css").read_text(encoding="utf-8")
