"""A spooled step keeps every bit; the samples around an alert are found in recordings and in the spool, each once."""

from contextlib import closing
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
ODD = (1 << 63, 0x7FF0 << 48, 0xFFF0 << 48, 0x7FF8 << 48 | 1, 0xFFF8 << 48, 1, 0x7FEF << 48)
"""Bits of -0.0, infinities, two NaN other than numpy's, a subnormal and a very large number."""


@st.composite
def rows(draw: st.DrawFn) -> Rows:
    n = draw(st.integers(0, 5))
    names = draw(st.lists(st.sampled_from(sorted(CHANNELS)), unique=True, max_size=4))
    times = draw(arrays(np.int64, n))
    bits: list[npt.NDArray[np.uint64]] = [draw(arrays(np.uint64, n, elements=BITS)) for _ in names]
    return Rows(times, {name: one.view(np.float64) for name, one in zip(names, bits, strict=True)})


@st.composite
def measured_rows(draw: st.DrawFn) -> Rows:
    """Long rows as feeds have them: times in runs of even steps, decimals, gaps; and a few bits that are none of it."""
    steps = [
        step
        for step, count in draw(st.lists(st.tuples(st.integers(-(2**63), 2**63 - 1), st.integers(1, 80))))
        for _ in range(count)
    ]
    with np.errstate(over="ignore"):
        times = np.cumsum(np.array([draw(st.integers(-(2**63), 2**63 - 1)), *steps]), dtype=np.int64)
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    columns = {}
    for name in draw(st.lists(st.sampled_from(sorted(CHANNELS)), unique=True, max_size=4)):
        largest, digits = 10.0 ** draw(st.integers(-2, 12)), draw(st.integers(0, 5))
        column = np.round(random.uniform(-largest, largest, len(times)), digits)
        column[random.random(len(times)) < draw(st.sampled_from([0.0, 0.01, 0.99, 1.0]))] = np.nan
        for bits in draw(st.lists(st.sampled_from(ODD), max_size=2)):
            column.view(np.uint64)[draw(st.integers(0, len(times) - 1))] = bits
        columns[name] = column
    return Rows(times, columns)


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


@given(st.lists(st.tuples(KEYS, rows() | measured_rows()), max_size=4), st.lists(EVENTS, max_size=3))
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


def test_rows_of_an_ordinary_feed_take_less_than_a_fifth_of_their_bytes() -> None:
    n = 2000
    columns = {
        "active": np.arange(n) // 80 % 2 * 1.0,
        "pressure_bar": np.round(140 + 9 * np.sin(np.arange(n)), 1),
        "oil_c": np.where(np.arange(n) % 10, np.nan, 61.25),
    }
    blob = spool.encode([(KEY, Rows(NOW + np.arange(n) * SECOND // 10, columns))])
    assert len(blob) < n * 8 * 4 / 5


VERSION_1 = bytes.fromhex(
    "535773317e0000007b22726f7773223a5b5b2266656e6e69636b2d686f6c6c6f77222c2248422d3031222c322c5b226f"
    "696c5f63222c22616374697665225d5d5d2c226576656e7473223a5b5b2266656e6e69636b2d686f6c6c6f77222c2248"
    "422d3031222c22677265617365222c352c372c7b227374726f6b6573223a5b31325d7d5d5d7d00ca9a3b0000000000ab"
    "9041000000000000000000404e40000000000000f87f000000000000f03f0000000000000000"
)
"""Two rows and an event, written before values were packed."""


def test_steps_spooled_by_an_earlier_version_are_read() -> None:
    rows, events = spool.decode(VERSION_1)
    [(key, part)] = rows
    assert key == ("fennick-hollow", "HB-01")
    assert part.time_ns.tolist() == [1_000_000_000, 1_100_000_000]
    assert {name: column.tobytes() for name, column in part.columns.items()} == {
        "oil_c": np.array([60.5, np.nan]).tobytes(),
        "active": np.array([1.0, 0.0]).tobytes(),
    }
    assert events == [Event("fennick-hollow", "HB-01", "grease", 5, {"strokes": [12]}, 7)]


ONE = spool.encode([(("s", "h"), Rows(np.array([1, 2]), {"oil_c": np.array([60.0, 61.0])}))])


@pytest.mark.parametrize("cut", range(len(ONE)))
def test_a_truncated_spool_blob_is_refused(cut: int) -> None:
    with pytest.raises(StoreError):
        spool.decode(ONE[:cut])


def test_a_truncated_blob_of_packed_rows_is_refused() -> None:
    columns = {"oil_c": np.where(np.arange(70) % 2, np.nan, 61.5), "active": np.ones(70)}
    blob = spool.encode([(KEY, Rows(NOW + np.arange(70) * SECOND, columns))])
    assert b"i2/1" in blob
    for cut in range(len(blob)):
        with pytest.raises(StoreError):
            spool.decode(blob[:cut])


@pytest.mark.parametrize("blob", [ONE + b"\0", b"SWs3" + ONE[4:], b"\x80\x04K\x01."])
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
    with closing(store):
        _commit(store, 0, 30)
        if recorded != "none":
            recorder.flush(NOW)
        _commit(store, 30, 30)
        if recorded == "both":
            recorder.flush(NOW + 60 * SECOND)
        found = rows_between(store, tmp_path / "recordings", KEY, NOW + 20 * SECOND, NOW + 45 * SECOND)
    assert found.time_ns.tolist() == [NOW + k * SECOND for k in range(20, 45)]
    assert found.columns["active"].tolist() == [1.0] * 25
    oil = found.columns["oil_c"]
    assert oil[0] == 60.0
    assert np.isnan(oil[1])
    assert oil[10] == 90.0


def test_without_stored_samples_the_result_is_empty(tmp_path: Path) -> None:
    with closing(Store(tmp_path / "watch.db")) as store:
        assert len(rows_between(store, tmp_path / "recordings", KEY, NOW, NOW + SECOND)) == 0


@pytest.mark.parametrize("form", ["i1/4", "i1/999", "i1/-1", "i1", "i8/0", "f4", "f8/1", "?f8", ""])
def test_values_in_a_form_that_is_never_written_are_damage(form: str) -> None:
    with pytest.raises(ValueError, match="form"):
        spool.unpack_values(bytes(16), 0, 2, form, 16)
