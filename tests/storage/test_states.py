"""Saved states are stored without zeros, and read back to the byte; those of earlier releases are read as they are."""

from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import URL, insert, text

from strikewatch.engine.state import LAYOUT, STATE, fresh
from strikewatch.errors import StoreError
from strikewatch.storage.commit.states import pack, unpack
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.engines.shared import SharedDatabase
from strikewatch.storage.queries.baselines import states
from strikewatch.storage.queries.saved_states import saved_states
from strikewatch.storage.schema import SCHEMA_VERSION, tables

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


KEYS = (KEY, ("fennick-hollow", "HB-02"), ("fennick-ridge", "HB-01"))


@pytest.fixture
def several(where: Path | URL) -> Path | URL:
    """A database of three hammers at two sites."""
    with closing(Store(where)) as store:
        saved = {key: fresh().tobytes() + str(key).encode() for key in KEYS}
        store.commit(StepRecord(0, states=saved, layout=LAYOUT))
    return where


@pytest.mark.parametrize("site", [None, "fennick-hollow", "nowhere"])
@pytest.mark.parametrize("hammer", [None, "HB-01"])
def test_saved_states_read_alone_are_those_of_the_database(
    several: Path | URL, site: str | None, hammer: str | None
) -> None:
    with SharedDatabase(several) as database:
        expected = states(database, site, hammer)
    assert saved_states(several, site, hammer) == expected
    matching = [key for key in KEYS if site in (None, key[0]) and hammer in (None, key[1])]
    assert [key for key, *_ in expected] == matching


def _of_another_release(path: Path) -> None:
    with closing(Store(path)) as store, store.write() as connection:
        connection.execute(text("UPDATE strikewatch_revision SET version_num = '0013'"))


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda _path: None, "there is no database"),
        (lambda path: path.write_bytes(b"no database at all" * 100), "file is not a database"),
        (_of_another_release, f"has schema version 0013, this release needs {SCHEMA_VERSION}"),
    ],
    ids=["missing", "damaged", "older"],
)
def test_a_database_whose_states_cannot_be_read_alone_is_reported_as_usual(
    tmp_path: Path, spoil: Callable[[Path], object], why: str
) -> None:
    spoil(tmp_path / "watch.db")
    with pytest.raises(StoreError, match=why):
        saved_states(tmp_path / "watch.db", None, None)


def test_reading_states_alone_leaves_no_files_behind(tmp_path: Path) -> None:
    """Those of another user beside the database would keep the processor from opening it."""
    path = tmp_path / "watch.db"
    with closing(Store(path)) as store:
        store.commit(StepRecord(0, states={KEY: fresh().tobytes()}, layout=LAYOUT))
    before = {one.name for one in tmp_path.iterdir()}
    assert len(saved_states(path, None, None)) == 1
    assert {one.name for one in tmp_path.iterdir()} == before
