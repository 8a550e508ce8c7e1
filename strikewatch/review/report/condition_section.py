"""What the report says of the condition of a site's hammers and tools."""

from strikewatch.review.charts import readings
from strikewatch.review.report import wear_wording as words
from strikewatch.review.report.content import Fitting, Inspected, Lasts, Life, Picture, Reading, WearAndTools
from strikewatch.review.report.wording import hours
from strikewatch.review.wear.condition import Condition
from strikewatch.review.wear.inspections import Measured, Worn
from strikewatch.review.wear.limits import PRACTICE


def part(found: Condition, anchor: str) -> WearAndTools | None:
    """The part of one site; None where nothing was told. Ids in pictures begin with `anchor`."""
    if not found:
        return None
    return WearAndTools(
        inspected=[_inspected(one, f"{anchor}-w{number}") for number, one in enumerate(found.worn, 1)],
        fitted=[
            Fitting(one.hammer, words.name(one.tool), words.work(one), words.advised(one), one.note or "")
            for one in found.fitted
        ],
        lives=[
            Life(
                words.name(one),
                one.hammer,
                words.day(one),
                hours(one.firing_h),
                words.blows(one),
                words.fate(one),
                words.mix(one),
            )
            for one in found.tools
        ],
        lasts=[Lasts(one.name, one.by, one.tools, one.ended, *words.lasts(one)) for one in found.groups],
        lasting=words.LASTING,
        practice=PRACTICE,
    )


def _inspected(one: Worn, ident: str) -> Inspected:
    shown = [each for each in one.measured if each.in_use]
    return Inspected(
        one.hammer,
        words.inspected(one),
        words.verdict(one),
        words.why(one),
        one.bushing.verdict in ("turn", "replace"),
        [_reading(each, f"{ident}-{each.measure.name}", one.hammer) for each in shown],
    )


def _reading(one: Measured, ident: str, hammer: str) -> Reading:
    drawn = None
    if one.trend is not None:
        points = [(each.hours, each.value_mm) for each in one.readings]
        title = f"{hammer}: {one.measure.words}"
        svg = readings.draw(ident, points, one.hours, one.trend, one.limit_mm, one.meeting, title)
        drawn = Picture(svg, " ".join(words.outlook(one)))
    return Reading(words.measured(one), "" if drawn else " ".join(words.outlook(one)), drawn)
