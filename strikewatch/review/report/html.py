"""The report as one HTML file: nothing in it is fetched, no script runs."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from strikewatch.disclaimer import CAUTION
from strikewatch.review import charts
from strikewatch.review.charts.drawing import figure
from strikewatch.review.report.content import Line, Report
from strikewatch.review.report.wording import hours

_HERE: Final = Path(__file__).parent


def html(report: Report) -> str:
    """The page. Texts are escaped; only our own drawings and style sheets go in as they are."""
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"figure": figure, "drawn": Markup, "hours": hours, "even": even}
    environment.globals["limits_of"] = limits_of
    return environment.get_template("report.html").render(
        report=report, style=Markup(style()), caution=CAUTION
    )


def style() -> str:
    """The one style sheet in the page; who serves it may name its digest in a content policy."""
    return charts.style() + (_HERE / "report.css").read_text(encoding="utf-8")


def limits_of(lines: Sequence[Line]) -> str:
    """What the limits in a table are, as the end of its caption."""
    kinds = {line.limits for line in lines} - {"", "little"}
    if "widened" not in kinds:
        return ", with exact 95 % limits" if kinds else ""
    exact = "exact, or " if "exact" in kinds else ""
    return f", with 95 % limits: {exact}≈ approximate, widened because counts vary more between days than by chance"


def even(rate: float) -> str:
    """A rate in a column: as many digits whatever they are."""
    return figure(rate) if rate != rate or not 0.01 <= rate < 100 else f"{rate:#.{3 if rate >= 1 else 2}g}"
