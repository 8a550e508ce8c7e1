"""Charts of the review's tables: rows in, an SVG with its caption out."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from strikewatch.review.charts.drawing import Standing
from strikewatch.review.charts.operators import Funnel, Intervals, draw_funnel, draw_intervals
from strikewatch.review.charts.series import ControlChart, draw_control_chart
from strikewatch.review.report.content import Figure
from strikewatch.review.statistics.chart_limits import prediction_limits

if TYPE_CHECKING:
    import pandas as pd

_POINTS: Final = 120
_LEAST: Final = 0.25
"""The curves begin where this many faults are expected; before that, a single fault is far above them."""


def comparison_charts(
    ident: str, name: str, exposure_name: str, rows: Sequence[Mapping[str, Any]], only: str | None
) -> list[Figure]:
    """Draw a fault over operators, from rows of OPERATORS with hours: a funnel plot and the estimated rates.

    With `only`, the other operators are points without a name.
    """
    hours, rate = (np.array([float(row[column]) for row in rows]) for column in ("hours", "rate"))
    standing: list[Standing] = [row["standing"] or "little" for row in rows]
    site_rate, dispersion = float(rows[0]["site_rate"]), float(rows[0]["dispersion"])
    last_h = 1.06 * float(hours.max())
    first_h = min(_LEAST / site_rate, last_h) if site_rate > 0 else last_h
    at_h = np.linspace(first_h, last_h, _POINTS)
    names = [str(row["operator"]) if only in (None, row["operator"]) else "" for row in rows]
    points = Funnel(
        names,
        hours,
        rate,
        standing,
        site_rate,
        at_h,
        prediction_limits(site_rate, at_h, 0.95, dispersion),
        prediction_limits(site_rate, at_h, 0.998, dispersion),
        exposure=f"{exposure_name.capitalize()} hours",
    )
    shown = [row for row in rows if only in (None, row["operator"])]
    rates, lower, upper, counted = (
        np.array([float(row[column]) for row in shown])
        for column in ("shrunk", "shrunk_lower", "shrunk_upper", "rate")
    )
    estimates = Intervals(
        names=[str(row["operator"]) for row in shown],
        rate=rates,
        lower=lower,
        upper=upper,
        raw=counted,
        standing=[row["standing"] or "little" for row in shown],
        expected=site_rate,
    )
    return [
        Figure(
            draw_funnel(f"{ident}-funnel", points, f"{name}: rates by hours worked"),
            "Each point is an operator; inside the curves, chance alone may explain the rate.",
        ),
        Figure(
            draw_intervals(f"{ident}-intervals", estimates, f"{name}: estimated rates"),
            "Estimated rate with its 95 % interval; hollow diamond: rate as counted.",
        ),
    ]


def weekly_chart(ident: str, name: str, weeks: "pd.DataFrame") -> Figure:
    """Draw a fault of an operator by week, from rows of WEEKS; weeks without work stay empty."""
    import pandas as pd

    begins = pd.to_datetime(weeks["week"])
    all_weeks = pd.date_range(begins.min(), begins.max(), freq="7D")
    shown = weeks.assign(week=begins).set_index("week").reindex(all_weeks)
    chart = ControlChart(
        [f"{week.day} {week:%b}" for week in all_weeks],
        shown["rate"].to_numpy(float),
        shown["chart_lower"].to_numpy(float),
        shown["chart_upper"].to_numpy(float),
        float(weeks["centre"].iloc[0]),
        shown["signal"].eq(True).to_numpy(bool),
    )
    return Figure(draw_control_chart(ident, chart, f"{name}, week by week"), name)
