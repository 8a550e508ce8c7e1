"""Times of logger files: forms, zones, and both changes of the clock."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.sources.logs.clock import LogClock
from strikewatch.sources.logs.records import Column, Texts, cells
from strikewatch.sources.mapping import TimeTable

VIENNA = "Europe/Vienna"
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def clock(form: str, zone: str | None = VIENNA) -> LogClock:
    table = {"at": "@.t", "as": form} | ({"zone": zone} if zone else {})
    return LogClock(TimeTable.model_validate(table))


def texts(*values: str | None) -> Texts:
    return Texts(pa.array(values, pa.string()))


def read(form: str, *values: str | None, zone: str | None = VIENNA) -> list[int]:
    return clock(form, zone).column([texts(*values)]).time_ns.tolist()


def at(moment: datetime) -> int:
    passed = moment - EPOCH
    return (passed.days * 86_400 + passed.seconds) * SECOND + passed.microseconds * 1000


MOMENTS = st.integers(
    at(datetime(1971, 1, 1, tzinfo=UTC)) // 1000, at(datetime(2099, 1, 1, tzinfo=UTC)) // 1000
).map(lambda us: EPOCH + timedelta(microseconds=us))


@given(
    moments=st.lists(MOMENTS, min_size=1, max_size=5),
    form=st.sampled_from(
        [
            "%d.%m.%Y %H:%M:%S.%f",
            "%Y/%m/%d %H:%M:%S,%f",
            "%m-%d-%Y %H:%M:%S",
            "%Y%m%d%H%M%S",
            "iso",
            "%d.%m.%y %H:%M:%S",
        ]
    ),
)
def test_a_form_is_read_as_strptime_reads_it(moments: list[datetime], form: str) -> None:
    """Forms of fixed width are read together, others one by one: the same instants."""
    if "%f" not in form and form != "iso":
        moments = [moment.replace(microsecond=0) for moment in moments]
    if "%y" in form:
        moments = [
            moment.replace(year=2000 + moment.year % 50)
            for moment in moments
            if (moment.month, moment.day) != (2, 29)
        ]
    local = [moment.astimezone(ZoneInfo("Etc/GMT-5")) for moment in moments]
    written = [
        one.strftime(form) if form != "iso" else one.replace(tzinfo=None).isoformat(" ") for one in local
    ]
    assert read(form, *written, zone="Etc/GMT-5") == [at(moment) for moment in moments]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-03-04 07:15:00", "2026-03-04T06:15:00Z"),
        ("2026-03-04T07:15:00.123456789", "2026-03-04T06:15:00.123456789Z"),
        ("2026-03-04 07:15:00,5", "2026-03-04T06:15:00.5Z"),
        ("2026-03-04T07:15:00Z", "2026-03-04T07:15:00Z"),  # an offset counts more than the zone
        ("2026-03-04T07:15:00+0530", "2026-03-04T01:45:00Z"),
        ("2026-02-29 07:15:00", None),
        ("2026-03-04 24:15:00", None),
        ("2026-03-04 07:15:00 pm", None),
        ("2026-03-04 07:15:00.1x", None),
        ("2026-03-04", None),
        ("1969-12-31 23:59:59", None),
        ("2150-01-01 00:00:00", None),
        ("0000-00-00 00:00:00", None),
        ("", None),
        (None, None),
        ("２026-03-04 07:15:00", None),
    ],
)
def test_iso_texts(text: str | None, expected: str | None) -> None:
    """Whether alone or beside others."""
    wanted = -1 if expected is None else instant.parse(expected)
    assert read("iso", text) == [wanted]
    assert read("iso", "2026-03-04 07:15:01", text)[1] == wanted


def test_what_is_wrong_is_described() -> None:
    placed = clock("%d.%m.%Y %H:%M:%S").column([texts("04.03.2026 07:15:00", "2026-03-04", None)])
    assert placed.bad.tolist() == [False, True, True]
    assert '"2026-03-04"' in placed.why
    assert "time" in clock("iso").column([texts(None)]).why
    assert "does not exist in Europe/Vienna" in clock("iso").column([texts("2026-03-29 02:30:00")]).why
    assert "name the clock's zone" in clock("iso", zone=None).column([texts("2026-03-04 07:15:00")]).why


def local_texts(first: datetime, n: int, step_s: int) -> tuple[list[str], list[int]]:
    """Wall-clock texts in Vienna of instants a step apart, and the instants."""
    moments = [first + timedelta(seconds=k * step_s) for k in range(n)]
    shown = [f"{moment.astimezone(ZoneInfo(VIENNA)):%Y-%m-%d %H:%M:%S}" for moment in moments]
    return shown, [at(moment) for moment in moments]


@pytest.mark.parametrize(
    "first", [datetime(2026, 10, 24, 22, tzinfo=UTC), datetime(2026, 3, 28, 23, tzinfo=UTC)]
)
@given(cuts=st.sets(st.integers(1, 69), max_size=6))
def test_both_changes_of_the_clock_whatever_the_parts(first: datetime, cuts: set[int]) -> None:
    """Seven hours across a change, every 6 min, by zoneinfo; a file read in parts, or several files, go on."""
    shown, expected = local_texts(first, 70, 360)
    bounds = [0, *sorted(cuts), 70]
    one = clock("iso")
    found: list[int] = []
    for begin, end in pairwise(bounds):
        found += one.column([texts(*shown[begin:end])]).time_ns.tolist()
    assert found == expected


def test_the_hour_that_occurs_twice_is_counted() -> None:
    shown, _ = local_texts(datetime(2026, 10, 24, 22, tzinfo=UTC), 70, 360)
    assert clock("iso").column([texts(*shown)]).twice == 20


@pytest.mark.parametrize(
    ("form", "column", "expected"),
    [
        ("s", cells([1772604900.1]), "2026-03-04T06:15:00.1Z"),
        ("ms", cells([1772604900100]), "2026-03-04T06:15:00.1Z"),
        ("ms", texts("1772604900100"), "2026-03-04T06:15:00.1Z"),
        ("us", texts("1772604900100001"), "2026-03-04T06:15:00.100001Z"),
        ("ns", texts("1772604900100000001"), "2026-03-04T06:15:00.100000001Z"),
        ("s", texts("1772604900.123456789"), "2026-03-04T06:15:00.123456789Z"),
    ],
)
def test_counts_are_exact(form: str, column: Column, expected: str) -> None:
    assert clock(form, zone=None).column([column]).time_ns.tolist() == [instant.parse(expected)]


def test_bad_counts_are_bad() -> None:
    column = np.array([np.nan, -1.0, 1e30, np.inf, 1772604900.0])
    assert clock("s", zone=None).column([column]).time_ns.tolist() == [-1, -1, -1, -1, 1772604900 * SECOND]
    assert clock("ms", zone=None).column([texts("x", "", None)]).time_ns.tolist() == [-1, -1, -1]


def test_date_and_clock_in_two_columns() -> None:
    days, times = texts("04.03.2026", "04.03.2026", None), texts("07:15:00", "07:15:00.250", "07:15:00")
    found = clock("%d.%m.%Y %H:%M:%S.%f").column([days, times]).time_ns.tolist()
    start = instant.parse("2026-03-04T06:15:00Z")
    assert found == [start, start + 250_000_000, -1]


def test_dates_of_spreadsheets() -> None:
    """A cell that is a date needs no form, but a zone."""
    cell = datetime(2026, 3, 4, 7, 15, 0, 500_000)  # noqa: DTZ001  # as spreadsheets have it
    expected = instant.parse("2026-03-04T06:15:00.5Z")
    assert clock("iso").column([cells([cell])]).time_ns.tolist() == [expected]
    assert clock("%d.%m.%Y").column([cells([cell])]).time_ns.tolist() == [expected]
    parts = [cells([cell.date()]), cells([cell.time()])]
    assert clock("iso").column(parts).time_ns.tolist() == [expected]
    assert clock("iso", zone=None).column([cells([cell])]).time_ns.tolist() == [-1]
