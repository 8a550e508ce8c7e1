"""Render the report as one HTML file without external resources or scripts."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from strikewatch.disclaimer import CAUTION
from strikewatch.review import charts
from strikewatch.review.charts.drawing import format_number
from strikewatch.review.report import wear
from strikewatch.review.report.content import RateLine, Report
from strikewatch.review.report.wording import hours

_HERE: Final = Path(__file__).parent


def render_html(report: Report) -> str:
    """Return the page. All texts are escaped except our own charts and style sheets."""
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
    environment.globals |= {"limits_caption": limits_caption, "wear": wear}
    return environment.get_template("report.html").render(
        report=report, style=Markup(style()), caution=CAUTION
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
    return f", with 95 % limits: {exact}≈ approximate, widened because counts vary more between days than by chance"


def fixed_digits(rate: float) -> str:
    """Format a rate with a fixed number of digits, for a column."""
    return (
        format_number(rate)
        if rate != rate or not 0.01 <= rate < 100
        else f"{rate:#.{3 if rate >= 1 else 2}g}"
    )
