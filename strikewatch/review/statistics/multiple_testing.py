"""Looking at many operators and faults at once: of a hundred that all work alike, five are beyond a 95 % limit.

Family-wise (Holm 1979, Scandinavian Journal of Statistics 6:65), not by false discoveries: what is wrong here is wrong
to a person. In at most 5 % of all reviews is anyone singled out whose rate is the others', whoever else there is. A
false discovery rate would let one in twenty of those named be named wrongly, and find few more: as a rule one or two
stand out.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats


def holm(p: Floats) -> Floats:
    """p [n] corrected for their number; NaN was not looked at, does not count and stays."""
    corrected = np.full(len(p), np.nan)
    looked = np.flatnonzero(~np.isnan(p))
    order = looked[np.argsort(p[looked], kind="stable")]
    factors = np.arange(len(order), 0, -1)
    corrected[order] = np.minimum(np.maximum.accumulate(p[order] * factors), 1.0)
    return corrected


def family(
    possible: Sequence[bool], looked_at: npt.NDArray[np.bool_], p: Sequence[float]
) -> tuple[Floats, int]:
    """p [n] corrected for all comparisons that are possible, and their number; NaN where not looked at.

    What has too little data to be looked at counts with a p of 1: it must not make the others easier to single out.
    """
    corrected = holm(np.where(looked_at, p, np.where(possible, 1.0, np.nan)))
    return np.where(looked_at, corrected, np.nan), int(np.sum(np.asarray(possible, bool) | looked_at))
