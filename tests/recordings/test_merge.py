"""Several recordings merged in the order of time, and pieces of a recording."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core.batch import Key, Rows
from strikewatch.core.instant import SECOND, Instant, parse
from strikewatch.review.data.samples import ShiftSamples
from strikewatch.sources.recordings import open_shifts
from strikewatch.sources.recordings.merge import Merge
from strikewatch.sources.recordings.shift import Shift
from tests.recordings.shapes import frame

KEY = ("fennick-hollow", "HB-01")
DAY = 86_400
START = parse("2026-03-04T06:00:00Z") // SECOND


class Parts(Shift):
    """A recording of parts, each a list of (hammer, seconds); notes which parts were read."""

    place = "parts"

    def __init__(self, parts: Sequence[Sequence[tuple[str, int]]], read: list[int] | None = None) -> None:
        super().__init__()
        self.parts = len(parts)
        self._parts = parts
        self._read = read
        self.total = sum(map(len, parts))

    def pieces(self) -> Iterator[tuple[Key, Rows]]:
        return (piece for number in range(self.parts) for piece in self.part(number))

    def feeds(self) -> dict[Key, set[str]]:
        return {}

    def part(self, number: int) -> Iterator[tuple[Key, Rows]]:
        if self._read is not None:
            self._read.append(self._parts[number][0][1])
        return self._rows(number)

    def times(self, number: int) -> Iterator[tuple[Key, np.ndarray[tuple[int], np.dtype[np.int64]]]]:
        return ((key, rows.time_ns) for key, rows in self._rows(number))

    def _rows(self, number: int) -> Iterator[tuple[Key, Rows]]:
        for hammer in dict.fromkeys(name for name, _ in self._parts[number]):
            seconds = np.array([at for name, at in self._parts[number] if name == hammer], np.int64)
            yield ("fennick-hollow", hammer), Rows(seconds * SECOND, {"oil_c": seconds.astype(float)})


def merged_seconds(*shifts: Shift) -> dict[str, list[int]]:
    """Return the seconds of each hammer in the merged order."""
    found: dict[str, list[int]] = {}
    for segment, rows, *_ in Merge(shifts).pieces():
        assert (rows.columns["oil_c"] == rows.time_ns // SECOND).all()
        found.setdefault(segment.key[1], []).extend((rows.time_ns // SECOND).tolist())
    return found


def shift(*seconds: int) -> Parts:
    return Parts([[("HB-01", at) for at in seconds]])


@given(
    st.lists(
        st.lists(
            st.lists(
                st.tuples(st.sampled_from(["HB-01", "HB-02"]), st.integers(START, START + 500)), min_size=1
            ),
            max_size=4,
        ),
        max_size=4,
    )
)
def test_every_row_is_yielded_once_and_in_order(
    recordings: list[list[list[tuple[str, int]]]],
) -> None:
    """Whatever the order of recordings, parts and rows, and however they overlap."""
    found = merged_seconds(*(Parts(parts) for parts in recordings))
    every = [row for parts in recordings for part in parts for row in part]
    wanted = {
        name: sorted(at for one, at in every if one == name) for name in dict.fromkeys(n for n, _ in every)
    }
    assert found == wanted


def test_recordings_that_do_not_overlap_are_not_held() -> None:
    """The rows of one are out before the next but one is read: a year needs no more memory than a day."""
    read: list[int] = []
    days = [Parts([[("HB-01", START + k * DAY + j) for j in range(100)]], read) for k in range(30)]
    for n, (_, rows, *_) in enumerate(Merge(days[::-1]).pieces()):
        assert len(read) == n + 1
        assert rows.time_ns[0] // SECOND == read[-1] == START + n * DAY


YEAR_2000 = parse("2000-01-01T00:00:00Z") // SECOND
WORK = [START + k for k in range(0, 5000, 2)]


@pytest.mark.parametrize(
    ("wrong", "place"),
    [
        ([YEAR_2000 + k for k in range(45)], 1000),
        ([YEAR_2000 + k for k in range(45)], 0),
        ([YEAR_2000 + k for k in range(800)], 1000),
        ([WORK[1000] + 2400 + k for k in range(30)], 1000),
        ([WORK[-1] + 3600 + k for k in range(30)], 1000),
        ([START - 3600 + k for k in range(30)], 1000),
        ([parse("2080-01-01T00:00:00Z") // SECOND], 2500),
    ],
    ids=["2000", "2000 first", "2000 for long", "ahead", "far ahead", "behind", "2080 last"],
)
def test_a_wrong_clock_excludes_its_own_rows_only(wrong: list[int], place: int) -> None:
    """All other rows, also of other recordings, are in order."""
    bad = shift(*WORK[:place], *wrong, *WORK[place:])
    later = shift(*(at + DAY for at in WORK))
    plan = Merge([later, bad])
    assert plan.starts[KEY] == {0: (START + DAY) * SECOND, 1: START * SECOND}
    assert plan.wrong_clock == [0, len(wrong)]
    assert plan.first_wrong[1] == (KEY, wrong[0] * SECOND)
    assert merged_seconds(later, bad)["HB-01"] == WORK + [at + DAY for at in WORK]


def test_rows_that_come_late_are_no_wrong_clock() -> None:
    """A backlog of an hour, and a table sorted by something else, lose nothing."""
    backlog = [*WORK[:500], *WORK[2000:], *WORK[500:2000]]
    assert merged_seconds(shift(*backlog))["HB-01"] == WORK
    shuffled = np.random.default_rng(7).permutation(WORK).tolist()
    assert merged_seconds(shift(*shuffled))["HB-01"] == WORK


def test_a_year_with_long_pauses_is_of_one_age() -> None:
    season = [START + k * 300 * DAY + j for k in range(4) for j in range(10)]
    assert merged_seconds(shift(*season))["HB-01"] == season


def test_recordings_between_each_other_are_one_feed_and_others_are_not() -> None:
    """Two loggers of one hammer at once belong together; one that rests while another records does not."""
    one, other = shift(*WORK[::2]), shift(*WORK[1::2])
    assert {together.shifts for together, *_ in Merge([one, other]).pieces()} == {(0, 1)}
    around = shift(*WORK, *(at + 9 * DAY for at in WORK))
    within = shift(*(at + 4 * DAY for at in WORK))
    order = [together.shifts for together, *_ in Merge([around, within]).pieces()]
    assert [one for one, after in pairwise([*order, None]) if one != after] == [(0,), (1,), (0,)]


REPLAY_DATA = Path(__file__).parents[2] / "replay_data"
SPANS = ((0, 90), (-30, 10), (30, 30), (1200, 1260), (900_000, 900_060))
"""Begin and end, s after an instant in the middle of the shift."""


def rows_between(path: Path, key: Key, begin: Instant, end: Instant) -> Rows:
    every = [rows for recorded in open_shifts(path) for found, rows in recorded.pieces() if found == key]
    rows = Rows.join(every)
    rows = rows[(rows.time_ns >= begin) & (rows.time_ns < end)]
    return rows[np.unique(rows.time_ns, return_index=True)[1]]


@pytest.mark.parametrize("name", ["hot-bench", "trench-feed"])
def test_a_piece_has_the_rows_that_cutting_the_whole_gives(name: str) -> None:
    (shift,) = open_shifts(REPLAY_DATA / name)
    key = next(one for one, _ in shift.pieces())
    first = int(np.median(np.concatenate([rows.time_ns for one, rows in shift.pieces() if one == key])))
    for a, b in SPANS:
        begin, end = first + a * SECOND, first + b * SECOND
        found, whole = shift.between(key, begin, end), rows_between(REPLAY_DATA / name, key, begin, end)
        assert found.time_ns.tolist() == whole.time_ns.tolist()
        for channel in found.columns:
            np.testing.assert_array_equal(found.columns[channel], whole.columns[channel])
    assert len(shift.between(key, first, first + 90 * SECOND)) > 100


@pytest.mark.parametrize("name", ["hot-bench", "trench-feed"])
def test_the_span_is_from_the_first_row_to_the_last(name: str) -> None:
    (shift,) = open_shifts(REPLAY_DATA / name)
    every = np.concatenate([rows.time_ns for _, rows in shift.pieces()])
    assert shift.span() == (every.min(), every.max())


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_pieces_do_not_depend_on_the_unit_of_times(tmp_path: Path, unit: str) -> None:
    """Row groups are left out by their statistics, which are in the file's unit."""
    times = pd.date_range("2026-07-14T06:00Z", periods=400, freq="s", unit=unit)  # type: ignore[call-overload]  # a literal
    frame = pd.DataFrame({"time": times, "hammer": ["HB-01"] * 200 + ["HB-02"] * 200, "oil_c": 50.0})
    frame.to_parquet(tmp_path / "shift.parquet", row_group_size=50)
    (shift,) = open_shifts(tmp_path / "shift.parquet")
    begin = int(times[230].as_unit("ns").value)
    assert len(shift.between((tmp_path.name, "HB-02"), begin, begin + 25 * SECOND)) == 25
    assert len(shift.between((tmp_path.name, "HB-01"), begin, begin + 25 * SECOND)) == 0


def test_rows_of_several_recordings_are_in_the_order_of_time(tmp_path: Path) -> None:
    """Whatever the order in which the recordings are given."""
    whole = frame()
    parts = []
    for name, part in (("b", whole[whole.index < 100]), ("a", whole[whole.index >= 100])):
        part.to_parquet(tmp_path / f"{name}.parquet")
        parts += open_shifts(tmp_path / f"{name}.parquet")
    begin, end = int(whole["time"].min().value), int(whole["time"].max().value) + 1
    key = tmp_path.name, "HB-01"
    rows = ShiftSamples(parts[::-1], ()).rows(key, begin, end)
    assert rows.time_ns.tolist() == whole.loc[whole["hammer"] == "HB-01", "time"].astype("int64").tolist()
