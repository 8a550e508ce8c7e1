"""Render the report: as one HTML file without external resources or scripts, as PDF, CSV files or one JSON object."""

import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from strikewatch.disclaimer import CAUTION
from strikewatch.errors import InputError
from strikewatch.review import charts
from strikewatch.review.charts.drawing import format_number
from strikewatch.review.report import hammers
from strikewatch.review.report.content import RateLine, Report
from strikewatch.review.report.wording import hours

if TYPE_CHECKING:
    import pandas as pd


_HERE: Final = Path(__file__).parent


def render_html(report: Report, *, unfolded: bool = False) -> str:
    """Return the page. All texts are escaped except our own charts and style sheets.

    `unfolded`: with all parts open, to be printed.
    """
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "figure": format_number,
        "drawn": Markup,
        "hours": hours,
        "fixed_digits": fixed_digits,
    }
    environment.globals |= {"limits_caption": limits_caption, "hammers": hammers}
    return environment.get_template("report.html").render(
        report=report, style=Markup(style()), caution=CAUTION, unfolded=unfolded
    )


def style() -> str:
    """Return the page's style sheet; a server may put its digest into a content security policy."""
    return charts.style() + (_HERE / "report.css").read_text(encoding="utf-8")


def limits_caption(lines: Sequence[RateLine]) -> str:
    """Describe the kind of limits in a table, as the end of its caption."""
    kinds = {line.limits for line in lines} - {"", "little"}
    if "widened" not in kinds:
        return ", with exact 95 % limits" if kinds else ""
    exact = "exact, or " if "exact" in kinds else ""
    return f", with 95 % limits: {exact}≈ approximate, widened for clusters"


def fixed_digits(rate: float) -> str:
    """Format a rate with a fixed number of digits, for a column."""
    return (
        format_number(rate)
        if rate != rate or not 0.01 <= rate < 100
        else f"{rate:#.{3 if rate >= 1 else 2}g}"
    )


def to_csv(tables: "Mapping[str, pd.DataFrame]", folder: Path) -> None:
    """Write one file per table, replacing older files. Raises InputError if one cannot be written."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, table in tables.items():
            plain = without_wide_limits(table)
            if "evidence" in table:
                plain = plain.assign(
                    evidence=[json.dumps(evidence, ensure_ascii=False) for evidence in table["evidence"]]
                )
            plain.to_csv(folder / f"{name}.csv", index=False, date_format="%Y-%m-%dT%H:%M:%S.%fZ")
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror}); name another folder") from None


def without_wide_limits(table: "pd.DataFrame") -> "pd.DataFrame":
    """Return the table without limits that are too wide to be useful, as in the report."""
    if "limits" not in table:
        return table
    useful = table["limits"] != "little"
    return table.assign(lower=table["lower"].where(useful), upper=table["upper"].where(useful))


def to_json(tables: "Mapping[str, pd.DataFrame]", head: Mapping[str, Any]) -> str:
    """One object: `head`, and each table as an array of objects; unknown numbers are null, instants RFC 3339."""
    document: dict[str, Any] = dict(head)
    for name, table in tables.items():
        text = without_wide_limits(table).to_json(
            orient="records", date_format="iso", date_unit="us", double_precision=15
        )
        document[name] = json.loads(text)
    return json.dumps(document, ensure_ascii=False)


_BY_HAND: Final = "write it with --html and print that in any browser"
TIMEOUT_S: Final = 300.0
"""Hundreds of pages take a minute; a browser that hangs must not block us."""


def print_pdf(browser: str, page: Path, target: Path) -> None:
    """Print an HTML file to `target` with a browser. Raises InputError if that fails."""
    with tempfile.TemporaryDirectory(prefix="strikewatch-") as scratch:
        pdf = Path(scratch) / "report.pdf"
        command = [
            browser,
            "--headless",
            "--disable-gpu",
            "--no-pdf-header-footer",
            f"--user-data-dir={scratch}/profile",
            f"--print-to-pdf={pdf}",
            page.resolve().as_uri(),
        ]
        if os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # it refuses to start sandboxed as root; the page is our own
        try:
            done = subprocess.run(command, capture_output=True, timeout=TIMEOUT_S, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise InputError(
                f"--pdf: {command[0]} could not print the report ({error}); {_BY_HAND}"
            ) from None
        if done.returncode or not pdf.exists():
            errors = done.stderr.decode(errors="replace").strip().splitlines()
            why = errors[-1] if errors else f"exit {done.returncode}"
            raise InputError(f"--pdf: {command[0]} could not print the report ({why}); {_BY_HAND}")
        try:
            shutil.copyfile(pdf, target)
        except OSError as error:
            raise InputError(f"{target}: cannot be written ({error.strerror}); name another place") from None


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
