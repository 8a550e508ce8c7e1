"""Reports of invented fleets, as the command would make them but without samples: the cases a page must bear."""

from collections.abc import Mapping, Sequence
from zoneinfo import ZoneInfo

import pandas as pd

from strikewatch.core.events import Event
from strikewatch.core.instant import LATEST
from strikewatch.review import highlights, rates
from strikewatch.review.charts.excerpt import Excerpt, draw_excerpt
from strikewatch.review.coaching import read
from strikewatch.review.data.schemas import UNASSIGNED
from strikewatch.review.report import compose
from strikewatch.review.report.compose import SiteMoments, Tables
from strikewatch.review.report.content import Report, ShownMoment
from strikewatch.review.usage import hammer_usage
from strikewatch.review.wear.condition import Condition, condition
from strikewatch.review.wear.limits import Settings as Limits
from strikewatch.settings.tree import load
from tests.review.invented import BEGIN, RATES, SITE, fleet

DAY = pd.Timedelta(days=1)
WEEKS = 6
UTC = ZoneInfo("UTC")
COACHING = read()


def tables(
    names: Sequence[str],
    times: Mapping[str, float] | None = None,
    idle: str | None = None,
    rate_of: Mapping[str, float] = RATES,
) -> Tables:
    """Six weeks, of which the last is under review; `idle` never fires."""
    exposure, faults = fleet([*names, UNASSIGNED], WEEKS, times=times, rates=rate_of)
    exposure.loc[exposure["operator"] == idle, ["firing_s", "judged_s", "bouts"]] = 0
    faults = faults[faults["operator"] != idle]
    now, before = _week(exposure, faults, WEEKS - 1), _week(exposure, faults, WEEKS - 2)
    return Tables(
        *now,
        rates.operators(*now, before=before),
        rates.sites(*now, before=before),
        rates.groups(*now, by=["site", "hammer"]),
        rates.groups(*now, by=["site", "tool"]),
        rates.weeks(exposure, faults),
        hammer_usage(*now, 0, LATEST, load().of_hammer, _silent(now[0])),
    )


def _silent(exposure: pd.DataFrame) -> dict[tuple[str, str], list[tuple[str, str]]]:
    """One fault cannot be found on any hammer."""
    return {
        (SITE, str(hammer)): [("submerged", "no water_m in the feed")]
        for hammer in exposure["hammer"].unique()
    }


def _week(exposure: pd.DataFrame, faults: pd.DataFrame, n: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    begin, end = BEGIN + 7 * n * DAY, BEGIN + 7 * (n + 1) * DAY
    return (
        exposure[(exposure["start"] >= begin) & (exposure["start"] < end)],
        faults[(faults["onset"] >= begin) & (faults["onset"] < end)],
    )


def report(made: Tables, only: str | None = None, most: int = 2) -> Report:
    """What the page says of it; moments with empty minutes for pictures."""
    shown: dict[str, list[ShownMoment]] = {}
    for one in highlights.choose_highlights(made.faults, most):
        empty = Excerpt(one.onset - 30_000_000_000, one.onset + 30_000_000_000, one.fault, one.onset, None)
        svg = draw_excerpt(f"m-{one.id}", empty, UTC)
        command = (
            "strikewatch replay recordings/fennick-hollow",
            f"--hammer {one.hammer}",
            "--from 2026-07-06T06:00:00Z",
        )
        shown.setdefault(one.operator, []).append(
            ShownMoment(one, COACHING.name(one.fault), "6 Jul, 06:00:00", svg, command)
        )
    clean = {
        who: (one, None)
        for who, one in highlights.longest_clean_stretches(made.exposure, made.faults).items()
    }
    return Report(
        period="6 Jul 2026 to 12 Jul 2026 (UTC)",
        begin=0,
        end=1,
        coaching=COACHING,
        sites=compose.sites(
            made, {SITE: SiteMoments(shown, clean)}, COACHING, {SITE: UTC}, only, _condition(made)
        ),
        faults=list(RATES),
        source="From an invented database.",
    )


def _condition(made: Tables) -> Condition:
    """Of a hammer that is inspected every day, its tools changed and its work told of."""
    exposure = made.exposure
    begin = int(exposure["start"].min().as_unit("ns").value) if len(exposure) else 0
    said: list[tuple[float, str, dict[str, object]]] = [
        (0, "tool_change", {"tool": "moil", "serial": "T-417", "material": "alloyed"}),
        (0, "work", {"work": "boulders", "hard": True, "abrasive": False}),
        *(
            (24.0 * d + 8, "inspection", {"bore_mm": 140 + d, "tool_length_mm": 700.5 - 9 * d})
            for d in range(4)
        ),
        (50, "tool_change", {"tool": "moil", "serial": "T-418", "material": "alloyed", "reason": "broken"}),
        (103, "inspection", {"bushing": "second_groove_faint", "bore_mm": 144.2, "tool_length_mm": 760.0}),
    ]
    events = [Event(SITE, "HB-01", kind, begin + int(at * 3.6e12), fields) for at, kind, fields in said]
    return condition(exposure, events, lambda _: Limits(bore_limit_mm=145.0))


def nothing() -> Report:
    return Report(
        "6 Jul 2026 to 12 Jul 2026 (UTC)", 0, 1, COACHING, nothing="No work is on record in this time."
    )
