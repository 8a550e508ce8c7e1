"""Saved states are stored without zeros, and read back to the byte; those of earlier releases are read as they are."""

from contextlib import closing
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import URL, insert

from strikewatch.engine.state import LAYOUT, STATE, fresh
from strikewatch.storage.commit.states import pack, unpack
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.schema import tables

KEY = ("fennick-hollow", "HB-01")
SIZES = st.lists(st.integers(0, 100), max_size=5)
BYTES = st.binary(max_size=64) | st.integers(0, 600).map(bytes)


@given(SIZES, st.lists(BYTES, max_size=8))
def test_any_state_is_read_back_to_the_byte(sizes: list[int], pieces: list[bytes]) -> None:
    """Also one that is cut off, or followed by waiting rows."""
    layout = " ".join(f"part{k}/1:{size}" for k, size in enumerate(sizes))
    state = b"".join(pieces)
    assert unpack(*pack(layout, state)) == (layout, state)


def test_a_layout_without_sizes_is_stored_as_it_is() -> None:
    assert pack("l", bytes(100)) == ("l", bytes(100))


@given(st.binary(max_size=40))
def test_stored_bytes_that_cannot_be_read_give_an_empty_state(stored: bytes) -> None:
    """So all of its parts begin anew, and the start says so."""
    layout, state = unpack("sparse:800 a/1:800", stored)
    assert layout == "a/1:800"
    assert len(state) in (0, *range(800, 841))


def test_the_zeros_of_a_state_are_not_stored() -> None:
    state = fresh().tobytes()
    layout, stored = pack(LAYOUT, state)
    assert layout == f"sparse:{STATE.itemsize} {LAYOUT}"
    assert len(stored) < len(state) / 5


def test_states_of_this_and_of_earlier_releases_are_loaded(where: Path | URL) -> None:
    state = fresh().tobytes() + b"rows that wait"
    with closing(Store(where, {})) as store:
        store.commit(StepRecord(1, states={KEY: state}, layout=LAYOUT))
        with store.write() as connection:
            earlier = {"site": KEY[0], "hammer": "HB-02", "layout": LAYOUT, "state": state}
            connection.execute(insert(tables.hammer_state).values(earlier))
        assert store.load().states == {KEY: (LAYOUT, state), (KEY[0], "HB-02"): (LAYOUT, state)}
