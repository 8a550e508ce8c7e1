"""A spooled step keeps every bit; the samples around an alert are found in recordings and in the spool, each once."""

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from strikewatch.core.batch import Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.errors import StoreError
from strikewatch.storage.commit import spool
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.queries.traces import rows_between
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.settings import RecorderSettings
from tests.storage.test_store import KEY, NOW

BITS = st.integers(0, 2**64 - 1)
"""Any float64 at all, NaN payloads, signed zeros, subnormals and infinities included."""


@st.composite
def rows(draw: st.DrawFn) -> Rows:
    n = draw(st.integers(0, 5))
    names = draw(st.lists(st.sampled_from(sorted(CHANNELS)), unique=True, max_size=4))
    times = draw(arrays(np.int64, n))
    bits: list[npt.NDArray[np.uint64]] = [draw(arrays(np.uint64, n, elements=BITS)) for _ in names]
    return Rows(times, {name: one.view(np.float64) for name, one in zip(names, bits, strict=True)})


KEYS = st.tuples(st.text(min_size=1, max_size=8), st.text(min_size=1, max_size=8))
FIELDS = st.dictionaries(st.text(), st.none() | st.booleans() | st.integers() | st.text(), max_size=3)
EVENTS = st.builds(
    Event,
    st.text(),
    st.text(),
    st.sampled_from(["grease", "sign_on"]),
    st.integers(0, 2**62),
    FIELDS,
    st.integers(0, 2**62),
)


@given(st.lists(st.tuples(KEYS, rows()), max_size=4), st.lists(EVENTS, max_size=3))
def test_a_spooled_step_is_decoded_bit_for_bit(
    given_rows: list[tuple[tuple[str, str], Rows]], events: list[Event]
) -> None:
    back, back_events = spool.decode(spool.encode(given_rows, events))
    assert back_events == events
    assert [key for key, _ in back] == [key for key, _ in given_rows]
    for (_, was), (_, now) in zip(given_rows, back, strict=True):
        assert was.time_ns.tobytes() == now.time_ns.tobytes()
        assert list(was.columns) == list(now.columns)
        assert all(was.columns[name].tobytes() == now.columns[name].tobytes() for name in was.columns)


ONE = spool.encode([(("s", "h"), Rows(np.array([1, 2]), {"oil_c": np.array([60.0, 61.0])}))])


@pytest.mark.parametrize("cut", range(len(ONE)))
def test_a_truncated_spool_blob_is_refused(cut: int) -> None:
    with pytest.raises(StoreError):
        spool.decode(ONE[:cut])


@pytest.mark.parametrize("blob", [ONE + b"\0", b"SWs2" + ONE[4:], b"\x80\x04K\x01."])
def test_a_spool_blob_with_extra_bytes_or_another_layout_is_refused(blob: bytes) -> None:
    with pytest.raises(StoreError):
        spool.decode(blob)


OTHER = (KEY[0], "HB-99")


def _commit(store: Store, at: int, n: int) -> None:
    time_ns = NOW + SECOND * np.arange(at, at + n, dtype=np.int64)
    columns = {"active": np.ones(n), "oil_c": np.where(np.arange(n) % 2, np.nan, 60.0 + at)}
    rows = [(KEY, Rows(time_ns, columns)), (OTHER, Rows(time_ns, {"oil_c": np.full(n, 20.0)}))]
    store.commit(StepRecord(NOW, rows, [], [], [], [], {}, "none", [], {}))


@pytest.mark.parametrize("recorded", ["none", "first", "both"])
def test_samples_are_found_in_the_recordings_and_in_the_spool(tmp_path: Path, recorded: str) -> None:
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


def test_without_stored_samples_the_result_is_empty(tmp_path: Path) -> None:
    store = Store(tmp_path / "watch.db")
    try:
        assert len(rows_between(store, tmp_path / "recordings", KEY, NOW, NOW + SECOND)) == 0
    finally:
        store.close()
