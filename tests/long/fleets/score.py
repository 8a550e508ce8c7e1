"""How often reviews of a fleet are right."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from strikewatch.review import rates
from tests.long.fleets.fleet import Drawn, Fleet


@dataclass(frozen=True, slots=True)
class Score:
    """Shares, 0..1. Of operators and faults: whose true rate lies within the exact limits (`limits_often`: where at
    least 10 were to be expected, since exact limits of small counts hold more than they say), within the interval of
    the probable rate, and on how many nothing can be said. Of reviews: those that single out anyone, those that single
    out anyone whose rate is the site's (threefold fleets), those that find the threefold operator's `same_spot`.
    `dispersion`: mean of what is allowed for.
    """

    limits: float
    limits_often: float
    shrunk: float
    little: float
    singled: float
    innocent: float
    found: float
    dispersion: float


def score(fleet: Fleet, reviews: int, seed: int = 1) -> Score:
    random = np.random.default_rng(seed)
    marks = pd.DataFrame([_marks(fleet.drawn(random)) for _ in range(reviews)])
    return Score(**{str(name): float(mean) for name, mean in marks.mean().items()})


def _marks(drawn: Drawn) -> dict[str, float]:
    table = rates.operators(*drawn.frames())
    true = np.array(
        [
            drawn.rates[fault][int(name[3:]) - 11]
            for name, fault in zip(table["operator"], table["fault"], strict=True)
        ]
    )
    held = (table["lower"] <= true) & (true <= table["upper"])
    named = table["standing"].isin(["above", "below"])
    first = table["operator"] == "op-11"
    return {
        "limits": held.mean(),
        "limits_often": held[true * table["hours"] >= 10].mean(),
        "shrunk": ((table["shrunk_lower"] <= true) & (true <= table["shrunk_upper"])).mean(),
        "little": (table["standing"] == "little").mean(),
        "singled": named.any(),
        "innocent": named[~first].any(),
        "found": (table["standing"][first & (table["fault"] == "same_spot")] == "above").any(),
        "dispersion": table.loc[table["fault"] == "same_spot", "dispersion"].mean(),
    }
