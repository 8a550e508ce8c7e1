"""Charts: plain arrays in, inline SVG out.

Colours come from the style sheet (`pictures.css`) by class, and follow the reader's light or dark mode; colour is never
the only sign. All ids begin with the given name, so that a page can hold many charts. There are no style attributes and
no scripts, so that a strict content security policy permits the charts.
"""

from pathlib import Path


def style() -> str:
    """Return the style sheet that a page with charts needs."""
    return Path(__file__).with_name("pictures.css").read_text(encoding="utf-8")
