"""Invented fleets with known rates of faults, and their reports as the command would make them, without samples."""

from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from strikewatch.core.events import Event
from strikewatch.core.instant import LATEST
from strikewatch.review import highlights, rates
from strikewatch.review.charts.over_time import Excerpt, draw_excerpt
from strikewatch.review.coaching import read
from strikewatch.review.data.schemas import EXPOSURE, FAULTS, UNASSIGNED
from strikewatch.review.progress import coached_frame, effects
from strikewatch.review.report import compose
from strikewatch.review.report.compose import SiteHighlights, Tables
from strikewatch.review.report.content import Report, ShownHighlight
from strikewatch.review.statistics.verdicts import Settings
from strikewatch.review.usage import hammer_usage
from strikewatch.review.wear.advice import Settings as Limits
from strikewatch.review.wear.condition import Condition, condition
from strikewatch.settings.tree import load

BEGIN = pd.Timestamp("2026-05-04T00:00Z")
"""A Monday."""
RATES = {"same_spot": 2.0, "blank_firing": 1.2, "hot_oil": 0.15, "grease_overdue": 0.08}
"""Per firing hour; grease_overdue per operating hour."""
SITE = "fennick-hollow"
_EVIDENCE = {
    "same_spot": lambda x: {"firing_s": round(15 + x, 1), "pose_known": True, "mean_pressure_bar": 141.0},
    "blank_firing": lambda x: {"blank_s": round(1 + x / 4, 1), "score": round(min(0.99, 0.7 + x / 40), 2)},
    "hot_oil": lambda x: {"peak_oil_c": round(80 + x / 3, 1), "firing_hot_s": round(10 * x, 1)},
    "grease_overdue": lambda x: {"since_grease_h": round(2 + x / 20, 2)},
}


def operators(n: int) -> list[str]:
    return [f"op-{11 + i}" for i in range(n)]


def fleet(
    names: Sequence[str],
    weeks: int = 10,
    rates: Mapping[str, float] = RATES,
    times: Mapping[str, float] | None = None,
    firing_share: float = 0.35,
    seed: int = 1,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return EXPOSURE and FAULTS of some weeks of five 8 h days. `times`: factor of all rates by operator."""
    random = np.random.default_rng(seed)
    exposure: list[dict[str, Any]] = []
    faults: list[dict[str, Any]] = []
    for i, name in enumerate(names):
        hammer = f"HB-0{1 + i % 6}"
        for day in (w * 7 + d for w in range(weeks) for d in range(5)):
            if random.random() < 0.1:
                continue
            for hour in range(6, 14):
                start = BEGIN + pd.Timedelta(days=day, hours=hour)
                operating_s = float(random.uniform(2400, 3600))
                firing_s = operating_s * firing_share * float(random.uniform(0.6, 1.4))
                exposure.append(
                    {
                        "site": SITE,
                        "hammer": hammer,
                        "operator": name,
                        "tool": "moil",
                        "start": start,
                        "end": start + pd.Timedelta(hours=1),
                        "operating_s": operating_s,
                        "firing_s": firing_s,
                        "judged_s": 0.95 * firing_s,
                        "bouts": int(firing_s / 9),
                        "blows": np.nan,
                        "blank_s": 0.01 * firing_s,
                        "blank_blows": np.nan,
                    }
                )
                faults += _faults(
                    random, name, hammer, start, exposure[-1], rates, (times or {}).get(name, 1.0)
                )
    return _frame(exposure, EXPOSURE), _frame(faults, FAULTS)


def _faults(
    random: np.random.Generator,
    name: str,
    hammer: str,
    start: pd.Timestamp,
    worked: Mapping[str, Any],
    rates: Mapping[str, float],
    times: float,
) -> list[dict[str, Any]]:
    found = []
    for fault, rate in rates.items():
        hours = worked["operating_s" if fault == "grease_overdue" else "firing_s"] / 3600
        for at_s in np.sort(random.uniform(0, 3500, random.poisson(rate * times * hours))):
            extreme = float(random.exponential(6.0))
            onset = start + pd.Timedelta(seconds=round(float(at_s), 3))
            found.append(
                {
                    "id": f"{random.integers(1 << 62):024x}",
                    "fault": fault,
                    "site": SITE,
                    "hammer": hammer,
                    "operator": name,
                    "tool": "moil",
                    "priority": "high" if extreme > 15 else "medium",
                    "onset": onset,
                    "cleared": onset + pd.Timedelta(seconds=round(2 + extreme, 3)),
                    "count": 1,
                    "seconds": round(2 + extreme, 3),
                    "historic": False,
                    "summary": f"Invented {fault}.",
                    "evidence": _EVIDENCE[fault](extreme),
                }
            )
    return found


def _frame(rows: list[dict[str, Any]], columns: Sequence[str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=list(columns))
    for column in ("start", "end", "onset", "cleared"):
        if column in frame:
            frame[column] = pd.to_datetime(frame[column], utc=True)
    return frame


DAY = pd.Timedelta(days=1)
WEEKS = 6
UTC = ZoneInfo("UTC")
COACHING = read()


def talk(operator: str, fault: str, day: int) -> Event:
    """Return the event of a talk at 14:00 of a day."""
    at = int((BEGIN + day * DAY + pd.Timedelta(hours=14)).as_unit("ns").value)
    return Event(SITE, "HB-01", "coached", at, {"operator": operator, "fault": fault})


def tables(
    names: Sequence[str],
    times: Mapping[str, float] | None = None,
    idle: str | None = None,
    rate_of: Mapping[str, float] = RATES,
    weeks: int = WEEKS,
    talks: Sequence[Event] = (),
    helped: float = 0.35,
) -> Tables:
    """Return the tables of the last of some weeks; the operator `idle` never fires.

    After each of the talks, the operator's rate of that fault is `helped` times that before.
    """
    exposure, faults = fleet([*names, UNASSIGNED], weeks, times=times, rates=rate_of)
    exposure.loc[exposure["operator"] == idle, ["firing_s", "judged_s", "bouts"]] = 0
    faults = faults[faults["operator"] != idle]
    coached = coached_frame(talks)
    random = np.random.default_rng(5)
    for each in coached.to_dict("records"):
        after = (faults["operator"] == each["operator"]) & (faults["fault"] == each["fault"])
        after &= faults["onset"] >= each["time"]
        faults = faults[~after | (random.random(len(faults)) < helped)]
    return tables_of(exposure, faults, talks, weeks)


def tables_of(
    exposure: pd.DataFrame, faults: pd.DataFrame, talks: Sequence[Event] = (), weeks: int | None = None
) -> Tables:
    """Return the tables of the last of some weeks from frames; without `weeks`, of all, as one period."""
    now, before = (exposure, faults), None
    if weeks is not None:
        now, before = _week(exposure, faults, weeks - 1), _week(exposure, faults, weeks - 2)
    coached, end = coached_frame(talks), int((BEGIN + 7 * (weeks or 52) * DAY).as_unit("ns").value)
    return Tables(
        *now,
        rates.operators(*now, before=before),
        rates.sites(*now, before=before),
        rates.groups(*now, by=["site", "hammer"]),
        rates.groups(*now, by=["site", "tool"]),
        rates.weeks(exposure, faults, coached=coached),
        hammer_usage(*now, 0, LATEST, load().of_hammer, _silent(now[0])),
        effects(exposure, faults, coached, end, Settings()),
    )


def _silent(exposure: pd.DataFrame) -> dict[tuple[str, str], list[tuple[str, str]]]:
    """Return reasons why one fault cannot be found on any hammer."""
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


def report(tables: Tables, only: str | None = None, most: int = 2) -> Report:
    """Return the report of these tables; highlights have charts without data."""
    shown: dict[str, list[ShownHighlight]] = {}
    above = tables.operators[tables.operators["standing"] == "above"]
    first = set(zip(above["site"], above["operator"], above["fault"], strict=True))
    for highlight in highlights.best_of(highlights.choose_highlights(tables.faults, most), most, first):
        empty = Excerpt(
            highlight.onset - 30_000_000_000,
            highlight.onset + 30_000_000_000,
            highlight.fault,
            highlight.onset,
            None,
        )
        svg = draw_excerpt(f"m-{highlight.id}", empty, UTC)
        command = (
            "strikewatch replay recordings/fennick-hollow",
            f"--hammer {highlight.hammer}",
            "--from 2026-07-06T06:00:00Z",
        )
        shown.setdefault(highlight.operator, []).append(
            ShownHighlight(highlight, COACHING.name(highlight.fault), "6 Jul, 06:00:00", svg, command)
        )
    clean = highlights.longest_clean_stretches(tables.exposure, tables.faults)
    return Report(
        period="6 Jul 2026 to 12 Jul 2026 (UTC)",
        begin=0,
        end=1,
        coaching=COACHING,
        sites=compose.sites(
            tables, {SITE: SiteHighlights(shown, clean)}, COACHING, {SITE: UTC}, only, _condition(tables)
        ),
        faults=list(RATES),
        source="From an invented database.",
    )


def _condition(tables: Tables) -> Condition:
    """Return the condition of a hammer with daily inspections, tool changes and recorded work."""
    exposure = tables.exposure
    begin = int(exposure["start"].min().as_unit("ns").value) if len(exposure) else 0
    entries: list[tuple[float, str, dict[str, object]]] = [
        (0, "tool_change", {"tool": "moil", "serial": "T-417", "material": "alloyed"}),
        (0, "work", {"work": "boulders", "hard": True, "abrasive": False}),
        *(
            (24.0 * d + 8, "inspection", {"bore_mm": 140 + d, "tool_length_mm": 700.5 - 9 * d})
            for d in range(4)
        ),
        (50, "tool_change", {"tool": "moil", "serial": "T-418", "material": "alloyed", "reason": "broken"}),
        (103, "inspection", {"bushing": "second_groove_faint", "bore_mm": 144.2, "tool_length_mm": 760.0}),
    ]
    events = [Event(SITE, "HB-01", kind, begin + int(at * 3.6e12), fields) for at, kind, fields in entries]
    return condition(exposure, events, lambda _: Limits(bore_limit_mm=145.0))


def nothing() -> Report:
    return Report(
        "6 Jul 2026 to 12 Jul 2026 (UTC)", 0, 1, COACHING, nothing="No work is on record in this time."
    )
