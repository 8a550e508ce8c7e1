"""`blank_firing` takes most windows in a shorter way; a changed or a lost engine speed must still count in it."""

import numpy as np
import pytest

from strikewatch.core.batch import Batch, Key, Portion, Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND
from strikewatch.engine.pipeline import Pipeline
from strikewatch.settings.faults import Faults

KEY: Key = ("fennick-hollow", "HB-01")
STEP = SECOND // 10
ROWS = 4000


def feed(seed: int) -> Rows:
    """Bouts of 12 s at 10 Hz; engine speed once a second, which drops by a tenth at times and at times is lost."""
    rng = np.random.default_rng(seed)
    rows = np.arange(ROWS)
    active = (rows % 160 < 120).astype(float)
    rpm = np.where(rows // 397 % 3 == 2, 1620.0, 1800.0) + rng.normal(0.0, 5.0, ROWS)
    pressure_bar = np.where(active > 0, 140.0 * (rpm / 1800.0) ** 1.5, 20.0) + rng.normal(0.0, 2.0, ROWS)
    rpm[(rows % 10 != seed % 10) | (rows // 211 % 4 == 3)] = np.nan
    columns = {"active": active, "pressure_bar": pressure_bar, "engine_rpm": rpm}
    return Rows(rows * STEP + 1_700_000_000 * SECOND, columns)


def run(rows: Rows, step: int) -> tuple[list[bytes], bytes]:
    """Return what was measured of each bout, and the state, after steps of so many rows."""
    pipeline = Pipeline(lambda _key: Faults().by_detector())
    bouts: list[bytes] = []
    for first in range(0, len(rows), step):
        piece = rows[first : first + step]
        result = pipeline.step(Batch([Portion(KEY, piece, int(piece.time_ns[-1]))]))
        pipeline.commit(result)
        bouts += [bout.tobytes() for bout in result.measurements["blank_firing"]]
    return bouts, pipeline.packed(KEY)


@pytest.mark.parametrize("seed", range(4))
def test_rows_in_one_step_are_taken_as_one_by_one(seed: int) -> None:
    rows = feed(seed)
    whole, state = run(rows, ROWS)
    assert len(whole) > ROWS // 200
    assert run(rows, 1) == (whole, state)


@pytest.mark.parametrize(
    ("lost_s", "factor"), [(0, 1.0), (0, 1.1), (CHANNELS["engine_rpm"].hold_ns // SECOND + 2, 1.0)]
)
def test_the_window_at_a_new_speed_is_no_evidence(lost_s: int, factor: float) -> None:
    """Nor is one at a speed that was lost: it may have changed meanwhile. A speed that goes on changes nothing."""
    bout, length, before = 200, 190, 60
    rows = np.arange(40 * bout)
    active = (rows % bout < length).astype(float)
    back = 39 * bout + before + 10 * lost_s
    rpm = np.where(rows >= back, 1800.0 * factor, 1800.0)
    rpm[(rows % 10 != 0) | ((rows >= back - 10 * lost_s) & (rows < back))] = np.nan
    pressure_bar = np.where(active > 0, 140.0, 20.0) + np.random.default_rng(1).normal(0.0, 2.0, len(rows))
    columns = {"active": active, "pressure_bar": pressure_bar, "engine_rpm": rpm}
    pipeline = Pipeline(lambda _key: Faults().by_detector())
    piece = Rows(rows * STEP + 1_700_000_000 * SECOND, columns)[: back + 1]
    result = pipeline.step(Batch([Portion(KEY, piece, int(piece.time_ns[-1]))]))
    state = result.state_of(KEY)["blank_firing"]
    assert state["judged"] > 0
    windows = state["cusum"]["n"]
    assert windows == 0 if lost_s or factor != 1.0 else windows > 20
