"""Fleets whose true rates are known: the two frames of a review, drawn at random. All of it made up."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from strikewatch.review.data.schemas import EXPOSURE, FAULTS

SITE: Final = "fennick-hollow"
BEGIN: Final = pd.Timestamp("2026-05-04T06:00Z")
DAYS: Final = 10
"""A review of two working weeks."""
PARTS: Final = {"same_spot": 1.0, "blank_firing": 0.6, "hot_oil": 0.15, "grease_overdue": 0.03}
"""Rates of the faults to that of same_spot. The last is per operating hour."""
OPERATING: Final = 2.5
"""Operating hours per firing hour."""
JUDGED: Final = 0.95
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fleet:
    """`rate`: of same_spot per firing hour. `hours`: least and most firing hours of an operator. `spread`: standard
    deviation of the operators' true rates to their mean. `clusters`: days that differ in rate by `bad_days` (as
    `spread`), or faults that come in bursts of `burst` on average. `threefold`: the first operator has 3 times the
    rate of every fault, over 10 firing hours.
    """

    operators: int
    rate: float
    hours: tuple[float, float] = (1.0, 40.0)
    spread: float = 0.0
    bad_days: float = 0.0
    burst: float = 1.0
    threefold: bool = False

    def drawn(self, random: np.random.Generator) -> "Drawn":
        n = self.operators
        low, high = np.log(self.hours)
        firing_h = np.exp(random.uniform(low, high, n))
        own = np.ones(n) if not self.spread else random.gamma(self.spread**-2, self.spread**2, n)
        if self.threefold:
            firing_h[0], own[0] = 10.0, 3.0
        worked = random.dirichlet(np.full(DAYS, 8.0), n) * firing_h[:, None]
        days = np.ones((n, DAYS)) if not self.bad_days else _gamma(random, self.bad_days, (n, DAYS))
        counts, rates = {}, {}
        for fault, part in PARTS.items():
            rates[fault] = self.rate * part * own
            hours = worked * _per_firing(fault)
            mean = rates[fault][:, None] * days * hours / self.burst
            bursts = random.poisson(mean)
            more = random.poisson(bursts * (self.burst - 1.0)) if self.burst > 1.0 else 0
            counts[fault] = bursts + more
        return Drawn(worked, counts, rates)


@dataclass(frozen=True, slots=True)
class Drawn:
    """`worked` [operators, days], firing hours; `counts` [operators, days] and true `rates` [operators] by fault."""

    worked: Floats
    counts: dict[str, npt.NDArray[np.int64]]
    rates: dict[str, Floats]

    def frames(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """EXPOSURE and FAULTS, one row of exposure a day."""
        n = len(self.worked)
        names, start = np.repeat(_names(n), DAYS), np.tile(_starts(), n)
        firing_s = self.worked.ravel() * 3600
        exposure = {"site": SITE, "hammer": "HB-01", "operator": names, "tool": "moil", "start": start}
        exposure |= {"end": start + pd.Timedelta(hours=8), "operating_s": firing_s * OPERATING}
        exposure |= {"firing_s": firing_s, "judged_s": firing_s * JUDGED, "bouts": 100, "blows": np.nan}
        exposure |= {"blank_s": 0.0, "blank_blows": np.nan}
        faults = pd.concat(
            [
                pd.DataFrame({"fault": fault, "operator": names, "onset": start}).loc[
                    np.repeat(np.arange(n * DAYS), count.ravel())
                ]
                for fault, count in self.counts.items()
            ],
            ignore_index=True,
        )
        rest = {
            "id": faults.index.astype(str),
            "site": SITE,
            "hammer": "HB-01",
            "tool": "moil",
            "seconds": 3.0,
        }
        rest |= {"priority": "medium", "cleared": faults["onset"] + pd.Timedelta(seconds=3), "count": 1}
        rest |= {"historic": False, "summary": "Invented.", "evidence": None}
        return pd.DataFrame(exposure)[list(EXPOSURE)], faults.assign(**rest)[list(FAULTS)]


def _per_firing(fault: str) -> float:
    return {"grease_overdue": OPERATING, "blank_firing": JUDGED}.get(fault, 1.0)


def _gamma(random: np.random.Generator, spread: float, shape: tuple[int, int]) -> Floats:
    return random.gamma(spread**-2, spread**2, shape)


def _names(n: int) -> npt.NDArray[np.object_]:
    return np.array([f"op-{11 + i}" for i in range(n)], object)


def _starts() -> pd.DatetimeIndex:
    return pd.DatetimeIndex([BEGIN + pd.Timedelta(days=day + 2 * (day // 5)) for day in range(DAYS)])
