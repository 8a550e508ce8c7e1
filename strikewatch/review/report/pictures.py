"""The charts of a report, drawn from rows of its tables: operators compared, and the progress of each."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import numpy as np

from strikewatch.review.charts.drawing import Standing, format_number, local_time
from strikewatch.review.charts.operators import Funnel, Intervals, draw_funnel, draw_intervals
from strikewatch.review.charts.series import Mean, ProgressPanel, Talk, draw_progress
from strikewatch.review.report.content import Figure
from strikewatch.review.statistics.poisson import prediction_limits

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


MAX_PANELS: Final = 4
"""The largest number of faults in a chart of progress: more would not fit on a page with the highlights."""
MIN_WEEKS: Final = 3
"""The number of weeks with work from which progress is drawn; with a talk, two."""


def progress_chart(
    ident: str,
    operator: str,
    names: Mapping[str, str],
    weeks: "pd.DataFrame",
    effects: "pd.DataFrame",
    zone: ZoneInfo,
) -> Figure | None:
    """Draw an operator's rates by week, from rows of WEEKS and EFFECTS; None if there are too few weeks.

    `names`: of the faults to show, the most important first; of these, at most MAX_PANELS that occurred.
    """
    import pandas as pd

    begins = pd.to_datetime(weeks["week"])
    if begins.nunique() < (MIN_WEEKS if effects.empty else 2):
        return None
    all_weeks = pd.date_range(begins.min(), begins.max(), freq="7D")
    occurred = set(weeks.loc[weeks["count"] > 0, "fault"])
    shown = [fault for fault in names if fault in occurred][:MAX_PANELS]
    panels = [
        _progress_panel(
            names[fault],
            weeks[weeks["fault"] == fault],
            effects[effects["fault"] == fault],
            all_weeks,
            zone,
        )
        for fault in shown
    ]
    if not panels:
        return None
    title = f"{operator}, week by week"
    labels = [f"{week.day} {week:%b}" for week in all_weeks]
    marked = (
        "; vertical: coached, thick: means before and since" if any(panel.talks for panel in panels) else ""
    )
    caption = f"Faults per hour, week by week. Dashed: control limits; triangle: beyond them{marked}."
    return Figure(draw_progress(ident, labels, panels, title), caption)


def _progress_panel(
    name: str, rows: "pd.DataFrame", effects: "pd.DataFrame", all_weeks: "pd.DatetimeIndex", zone: ZoneInfo
) -> ProgressPanel:
    import pandas as pd

    shown = rows.assign(week=pd.to_datetime(rows["week"])).set_index("week").reindex(all_weeks)

    def position(at: pd.Timestamp) -> float:
        return float((at.tz_convert(zone).tz_localize(None) - all_weeks[0]) / pd.Timedelta(days=7))

    talks, result = [], f"{format_number(float(rows['count'].sum() / rows['hours'].sum()))} an hour"
    for row in effects.sort_values("coached").to_dict("records"):
        at = local_time(int(row["coached"].as_unit("ns").value), zone)
        means = []
        if row["before_hours"] > 0 and row["hours"] > 0:
            before, after = float(row["before_rate"]), float(row["rate"])
            means = [
                Mean(position(row["begin"]), position(row["coached"]), before),
                Mean(position(row["coached"]), position(row["end"]), after),
            ]
            result = f"{format_number(before)} → {format_number(after)} an hour"
        talks.append(Talk(position(row["coached"]), f"{at.day} {at:%b}", means))
    return ProgressPanel(
        name,
        shown["rate"].to_numpy(float),
        shown["chart_lower"].to_numpy(float),
        shown["chart_upper"].to_numpy(float),
        float(rows["centre"].iloc[0]),
        shown["signal"].eq(True).to_numpy(bool),
        [talk for talk in talks if talk.position >= 0],
        result,
    )
