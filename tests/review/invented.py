"""Frames of invented fleets: who worked when, and what went wrong at known rates. Nobody in them is real."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from strikewatch.review.data.schemas import EXPOSURE, FAULTS

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
    """EXPOSURE and FAULTS of so many weeks of five days of eight hours. `times`: operator → factor of every rate."""
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
