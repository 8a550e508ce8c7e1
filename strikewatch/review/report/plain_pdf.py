"""The report's summary as a PDF of plain text, where no browser is installed: by pip alone, without pictures."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from strikewatch.errors import InputError

COLUMNS: Final = 96
"""Letters to a line."""
_SIGNS: Final = str.maketrans(
    {"≈": "~", "▲": "^", "▼": "v", "●": "o", "□": "?", "–": "-", "—": "-", "’": "'", "…": "..."}
)
"""The fonts that every reader of PDF has know the letters of Western Europe only."""


def plain_pdf(lines: Sequence[str], target: Path, title: str) -> None:
    """Write lines of at most COLUMNS letters to a PDF. Raises InputError where it cannot be written."""
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
