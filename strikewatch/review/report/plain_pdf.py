"""Write the report's summary as a plain-text PDF without charts, for machines without a browser."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from strikewatch.errors import InputError

COLUMNS: Final = 96
"""Characters per line."""
_SIGNS: Final = str.maketrans(
    {"≈": "~", "▲": "^", "▼": "v", "●": "o", "□": "?", "–": "-", "—": "-", "’": "'", "…": "..."}
)
"""The standard fonts of PDF contain only Western European characters."""


def write_plain_pdf(lines: Sequence[str], target: Path, title: str) -> None:
    """Write lines of at most COLUMNS characters to a PDF. Raises InputError if it cannot be written."""
    from fpdf import FPDF

    sheet = FPDF(format="A4")
    sheet.set_title(title)
    sheet.set_auto_page_break(True, margin=15)
    sheet.add_page()
    sheet.set_font("Courier", size=9)
    for line in lines:
        plain = line.translate(_SIGNS).encode("latin-1", "replace").decode("latin-1")
        sheet.cell(0, 4.2, plain.rstrip(), new_x="LMARGIN", new_y="NEXT")
    try:
        target.write_bytes(bytes(sheet.output()))
    except OSError as error:
        raise InputError(f"{target}: cannot be written ({error.strerror}); name another place") from None
