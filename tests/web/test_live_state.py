"""The page's state of the hammers: what the page's thread gets of a step shows the same as the whole step."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core.batch import Batch, Portion, Rows
from strikewatch.core.instant import SECOND
from strikewatch.engine.pipeline import Pipeline
from strikewatch.settings.tree import Settings
from strikewatch.web.live import live_state
from strikewatch.web.live.live_state import MINUTE, LiveState

KEY = ("fennick-hollow", "HB-01")
START = 1_772_600_000 * SECOND


@given(
    oil_c=st.lists(st.floats(20, 70) | st.just(np.nan), min_size=1, max_size=200) | st.none(),
    n=st.integers(1, 200),
    step_s=st.sampled_from([1, 7, 45, 100]),
)
def test_a_portion_of_many_rows_is_shown_as_if_all_of_them_were_kept(
    oil_c: list[float] | None, n: int, step_s: int
) -> None:
    n = len(oil_c) if oil_c else n
    times = START + np.arange(n, dtype=np.int64) * step_s * SECOND
    rows = Rows(times, {"active": np.zeros(n)} | ({"oil_c": np.array(oil_c)} if oil_c else {}))
    portion = Portion(KEY, rows, int(times[-1]))
    settings = Settings()
    result = Pipeline(settings.of_hammer).step(Batch([portion]))
    whole, condensed = LiveState(settings.of_hammer, 10.0), LiveState(settings.of_hammer, 10.0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(live_state, "CONDENSED_ROWS", n)
        whole.enqueue_step(START, [portion], result)
        patch.setattr(live_state, "CONDENSED_ROWS", 0)
        condensed.enqueue_step(START, [portion], result)
    waiting = condensed._pending[0][1][0].rows
    assert len(waiting) <= n * step_s // 60 + 3
    for each in (whole, condensed):
        assert each.apply_steps() == [KEY]
    end = int(times[-1]) + MINUTE
    for one, other in zip(
        whole.hammers[KEY].hours.oil(START, end), condensed.hammers[KEY].hours.oil(START, end), strict=True
    ):
        np.testing.assert_array_equal(one, other)
    np.testing.assert_equal(condensed.hammers[KEY].hours.last_oil, whole.hammers[KEY].hours.last_oil)
    assert repr(condensed.hammers[KEY].snapshot) == repr(whole.hammers[KEY].snapshot)
