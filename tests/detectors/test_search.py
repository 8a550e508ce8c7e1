"""The searches in kernels find the row that a plain look at every row finds."""

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.detectors.kernels import first_row_at, next_row

Values = st.lists(st.sampled_from([math.nan, math.nan, math.nan, 1.0]), min_size=1, max_size=40)


@given(Values, Values, st.integers(0, 39))
def test_next_row_is_the_first_at_which_either_column_has_a_value(
    column: list[float], other: list[float], first: int
) -> None:
    last = min(len(column), len(other))
    first = min(first, last)
    expected = [i for i in range(first, last) if not (math.isnan(column[i]) and math.isnan(other[i]))]
    found = next_row(np.array(column), np.array(other), first, last)
    assert found == (expected[0] if expected else last)


@given(st.lists(st.integers(0, 5), min_size=1, max_size=40), st.integers(0, 39), st.integers(-5, 120))
def test_first_row_at_is_the_first_that_is_not_before(steps: list[int], first: int, instant: int) -> None:
    time_ns = np.cumsum(steps)
    first = min(first, len(time_ns))
    expected = [i for i in range(first, len(time_ns)) if time_ns[i] >= instant]
    assert first_row_at(time_ns, first, len(time_ns), instant) == (expected[0] if expected else len(time_ns))
