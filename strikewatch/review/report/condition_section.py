"""Build the report's section on the condition of a site's hammers and tools."""

from strikewatch.review.charts import readings
from strikewatch.review.report import wear_wording as words
from strikewatch.review.report.content import (
    FittedToolRow,
    InspectedHammer,
    Picture,
    ToolLife,
    ToolSurvival,
    WearAndTools,
    WearReading,
)
from strikewatch.review.report.wording import hours
from strikewatch.review.wear.condition import Condition
from strikewatch.review.wear.inspections import HammerWear, MeasuredLength
from strikewatch.review.wear.limits import PRACTICE


def condition_part(found: Condition, anchor: str) -> WearAndTools | None:
    """Return one site's section, or None if nothing is recorded. Ids in charts begin with `anchor`."""
    if not found:
        return None
    return WearAndTools(
        inspected=[_inspected(one, f"{anchor}-w{number}") for number, one in enumerate(found.worn, 1)],
        fitted=[
            FittedToolRow(
                one.hammer, words.name(one.tool), words.work(one), words.advised(one), one.note or ""
            )
            for one in found.fitted
        ],
        lives=[
            ToolLife(
                words.name(one),
                one.hammer,
                words.fitted_since(one),
                hours(one.firing_h),
                words.blows(one),
                words.fate(one),
                words.operator_shares(one),
            )
            for one in found.tools
        ],
        lasts=[
            ToolSurvival(one.name, one.by, one.tools, one.ended, *words.median_life(one))
            for one in found.groups
        ],
        lasting=words.SURVIVAL_NOTE,
        practice=PRACTICE,
    )


def _inspected(one: HammerWear, ident: str) -> InspectedHammer:
    shown = [each for each in one.measured if each.in_use]
    return InspectedHammer(
        one.hammer,
        words.inspected(one),
        words.verdict(one),
        words.reason(one),
        one.bushing.verdict in ("turn", "replace"),
        [_reading(each, f"{ident}-{each.measure.name}", one.hammer) for each in shown],
    )


def _reading(one: MeasuredLength, ident: str, hammer: str) -> WearReading:
    drawn = None
    if one.trend is not None:
        points = [(each.hours, each.value_mm) for each in one.readings]
        title = f"{hammer}: {one.measure.words}"
        svg = readings.draw(ident, points, one.hours, one.trend, one.limit_mm, one.meeting, title)
        drawn = Picture(svg, " ".join(words.outlook(one)))
    return WearReading(words.measured(one), "" if drawn else " ".join(words.outlook(one)), drawn)
