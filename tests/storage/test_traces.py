"""The samples around an alert are found in recordings and in the spool, each once, in order."""

from pathlib import Path

import numpy as np
import pytest

from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.queries.traces import rows_between
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.settings import RecorderSettings
from tests.storage.test_store import KEY, NOW

OTHER = (KEY[0], "HB-99")


def _commit(store: Store, at: int, n: int) -> None:
    time_ns = NOW + SECOND * np.arange(at, at + n, dtype=np.int64)
    columns = {"active": np.ones(n), "oil_c": np.where(np.arange(n) % 2, np.nan, 60.0 + at)}
    rows = [(KEY, Rows(time_ns, columns)), (OTHER, Rows(time_ns, {"oil_c": np.full(n, 20.0)}))]
    store.commit(StepRecord(NOW, rows, [], [], [], [], {}, "none", [], {}))


@pytest.mark.parametrize("recorded", ["none", "first", "both"])
def test_found_wherever_they_are(tmp_path: Path, recorded: str) -> None:
    store = Store(tmp_path / "watch.db")
    recorder = Recorder(store, RecorderSettings(folder=tmp_path / "recordings"))
    try:
        _commit(store, 0, 30)
        if recorded != "none":
            recorder.flush(NOW)
        _commit(store, 30, 30)
        if recorded == "both":
            recorder.flush(NOW + 60 * SECOND)
        found = rows_between(store, tmp_path / "recordings", KEY, NOW + 20 * SECOND, NOW + 45 * SECOND)
    finally:
        store.close()
    assert found.time_ns.tolist() == [NOW + k * SECOND for k in range(20, 45)]
    assert found.columns["active"].tolist() == [1.0] * 25
    oil = found.columns["oil_c"]
    assert oil[0] == 60.0
    assert np.isnan(oil[1])
    assert oil[10] == 90.0


def test_nothing_kept_is_no_error(tmp_path: Path) -> None:
    store = Store(tmp_path / "watch.db")
    try:
        assert len(rows_between(store, tmp_path / "recordings", KEY, NOW, NOW + SECOND)) == 0
    finally:
        store.close()
