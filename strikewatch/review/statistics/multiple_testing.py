"""Correct p-values for many comparisons: of a hundred operators who work alike, five are beyond a 95 % limit.

The family-wise error rate is controlled (Holm 1979, Scandinavian Journal of Statistics 6:65), not the false discovery
rate, because an error wrongs a person: in at most 5 % of all reviews is an operator singled out whose rate equals the
others'. With a false discovery rate, one in twenty named operators would be named wrongly, and few more would be found,
since usually only one or two stand out.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats


def holm(p: Floats) -> Floats:
    """Return p [n] corrected for their number; NaN (not compared) does not count and stays NaN."""
    corrected = np.full(len(p), np.nan)
    looked = np.flatnonzero(~np.isnan(p))
    order = looked[np.argsort(p[looked], kind="stable")]
    factors = np.arange(len(order), 0, -1)
    corrected[order] = np.minimum(np.maximum.accumulate(p[order] * factors), 1.0)
    return corrected


def correct_family(
    possible: Sequence[bool], compared: npt.NDArray[np.bool_], p: Sequence[float]
) -> tuple[Floats, int]:
    """Return p [n] corrected for all possible comparisons, and their number; NaN where not compared.

    A possible comparison with too little data counts with p = 1: it must not make others easier to single out.
    """
    corrected = holm(np.where(compared, p, np.where(possible, 1.0, np.nan)))
    return np.where(compared, corrected, np.nan), int(np.sum(np.asarray(possible, bool) | compared))
