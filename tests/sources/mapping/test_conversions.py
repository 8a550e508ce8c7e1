"""A column and its single values convert alike, to the bit; numbers and times are exact."""

import math
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND
from strikewatch.errors import Rejected
from strikewatch.sources.hold import NO_VALUE
from strikewatch.sources.mapping import ChannelTable, TimeTable
from strikewatch.sources.mapping.times import TimeReader
from strikewatch.sources.mapping.units import UNITS
from strikewatch.sources.mapping.value_readers import ValueReader, reader

NOW = instant.parse("2026-03-04T07:15:30Z")
LATEST = NOW + 300 * SECOND


def read(channel: str, raw: Any, decimal: str = ".", **table: Any) -> float:
    return reader(channel, ChannelTable.model_validate(table), decimal).read(raw)


@pytest.mark.parametrize(
    ("channel", "raw", "table", "expected"),
    [
        ("pressure_bar", "142.5\r", {}, 142.5),
        ("pressure_bar", 2060.3, {"unit": "psi"}, 142.0526851),
        ("pressure_bar", 9700, {"from": [4000, 20000], "to": [0, 400]}, 142.5),
        ("pressure_bar", 4000, {"from": [4000, 20000], "to": [0, 400]}, 0.0),
        ("oil_c", 1012, {"scale": 0.1, "offset": -40.0}, 61.2),
        ("oil_c", 65535, {"scale": 0.1, "missing": [65535]}, math.nan),
        ("oil_c", "65535", {"missing": [65535]}, math.nan),
        ("oil_c", -273.0, {"missing": [-273, 850]}, math.nan),
        ("oil_c", "n/a", {"missing": ["n/a"]}, math.nan),
        ("oil_c", None, {}, math.nan),
        ("oil_c", " ", {}, math.nan),
        ("oil_c", "NaN", {"hold_s": 600.0}, NO_VALUE),
        ("active", "", {}, math.nan),
        ("active", "", {"on": ["ON"], "off": [""]}, 0.0),
        ("active", "", {"on": ["ON"], "off": ["OFF"]}, math.nan),
        ("active", "", {"bit": 3}, math.nan),
        ("oil_c", math.nan, {}, math.nan),
        ("oil_c", None, {"hold_s": 600.0}, NO_VALUE),
        ("oil_c", 850, {"missing": [850], "hold_s": 600.0}, NO_VALUE),
        ("active", 9, {"bit": 3}, 1.0),
        ("active", "7", {"bit": 3}, 0.0),
        ("active", 2**63, {"bit": 63}, 1.0),
        ("active", 12.5, {"on_from": 12.0}, 1.0),
        ("active", "RUN ", {"on": ["RUN"], "off": ["IDLE", "STOP"]}, 1.0),
        ("active", 3, {"on": [3], "off": [1, 2]}, 1.0),
        ("active", "3", {"on": [3], "off": [1, 2]}, 1.0),
        ("active", True, {}, 1.0),
        ("active", "Off", {}, 0.0),
        ("active", 1.0, {}, 1.0),
    ],
)
def test_values(channel: str, raw: Any, table: dict[str, Any], expected: float) -> None:
    assert read(channel, raw, **table) == pytest.approx(expected, nan_ok=True)


@pytest.mark.parametrize(
    ("channel", "raw", "table", "reason"),
    [
        ("active", "running", {}, "unknown_word"),
        ("active", 2, {}, "unknown_word"),
        ("active", True, {"on": [1], "off": [0]}, "unknown_word"),
        ("active", -1, {"bit": 3}, "bad_value"),
        ("active", 1.5, {"bit": 3}, "bad_value"),
        ("oil_c", "61,2", {}, "bad_value"),
        ("oil_c", True, {}, "bad_value"),
        ("oil_c", [1], {}, "bad_value"),
        ("oil_c", 10**400, {}, "bad_value"),
        ("oil_c", 1e308, {"scale": 1e10}, "bad_value"),
        ("oil_c", "0x", {}, "bad_value"),
        ("oil_c", "10h", {}, "bad_value"),
        ("oil_c", "1_000", {}, "bad_value"),
    ],
)
def test_bad_values_name_a_remedy(channel: str, raw: Any, table: dict[str, Any], reason: str) -> None:
    with pytest.raises(Rejected) as caught:
        read(channel, raw, **table)
    assert caught.value.reason == reason
    assert len(caught.value.detail) < 160


def test_a_decimal_comma_is_suggested_and_read() -> None:
    with pytest.raises(Rejected, match='set decimal = ","'):
        read("oil_c", "61,2")
    assert read("oil_c", "61,2", ",") == 61.2


@pytest.mark.parametrize(
    "channel", ["pressure_bar", "oil_c", "engine_rpm", "tool_x_m", "swing_deg", "boom_stroke"]
)
def test_units_agree_with_pint(channel: str) -> None:
    """Pint's names of our units; kgf/cm2 and degF by its own definitions."""
    pints = {
        "Cel": "degC",
        "°C": "degC",
        "C": "degC",
        "°F": "degF",
        "F": "degF",
        "kgf/cm2": "kgf/cm**2",
        "/": "",
    }
    pints |= {"1/min": "rpm", "r/min": "rpm", "1/s": "rps", "Hz": "rps", "°": "deg", "in": "inch", "1": ""}
    pints |= {"%": "percent", "/100": "percent"}
    registry = pint.UnitRegistry()
    unit = CHANNELS[channel].unit
    for name, convert in UNITS[unit].items():
        expected = registry.Quantity(12.5, pints.get(name, name)).to(pints.get(unit, unit)).magnitude
        assert convert(12.5) == pytest.approx(expected, rel=1e-8), name
        assert convert(np.array([12.5]))[0] == convert(12.5), name


CELLS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(),
    st.sampled_from(["ON", "OFF", "1", "0", " 12.5", "1,5", "n/a", "", "true", "65535"]),
)
TABLES = st.sampled_from(
    [
        ("oil_c", {}),
        ("oil_c", {"unit": "degF", "missing": [65535, "n/a", 0]}),
        ("pressure_bar", {"from": [4, 20], "to": [0, 400], "hold_s": 60.0}),
        ("pressure_bar", {"scale": 0.1, "offset": -4.0, "unit": "psi"}),
        ("active", {}),
        ("active", {"on": ["ON", 1], "off": ["OFF", 0], "missing": ["n/a"]}),
        ("active", {"on_from": 12.0, "missing": [0]}),
        ("active", {"bit": 3, "hold_s": 60.0}),
    ]
)


def cell(of: ValueReader, raw: Any) -> float | None:
    try:
        return of.read(raw)
    except Rejected:
        return None


@given(TABLES, st.lists(CELLS, max_size=12), st.booleans())
def test_a_column_converts_as_its_values_do(
    table: tuple[str, dict[str, Any]], values: list[Any], numbers_only: bool
) -> None:
    if numbers_only:
        values = [each for each in values if type(each) in (int, float, type(None))]
    of = reader(table[0], ChannelTable.model_validate(table[1]))
    singly = [cell(of, raw) for raw in values]
    column, errors = of.column(values)
    np.testing.assert_array_equal(column, [math.nan if each is None else each for each in singly])
    assert sum(error.count for error in errors) == singly.count(None)


def test_a_numpy_column_converts_as_a_list_does() -> None:
    of = reader("oil_c", ChannelTable.model_validate({"scale": 0.1, "missing": [65535]}))
    whole = np.array([612, 65535, 700], np.uint16)
    np.testing.assert_array_equal(of.column(whole)[0], [61.2, math.nan, 70.0])
    np.testing.assert_array_equal(of.column(whole)[0], of.column(whole.tolist())[0])


def at(raw: Any, near: int = NOW, **table: Any) -> str:
    return instant.exact_text(
        TimeReader(TimeTable.model_validate({"at": "@.t", **table})).read(raw, near, LATEST)
    )


@pytest.mark.parametrize(
    ("raw", "table", "expected"),
    [
        (1772608500123456789, {"as": "ns"}, "2026-03-04T07:15:00.123456789Z"),
        ("1772608500.123456789", {"as": "s"}, "2026-03-04T07:15:00.123456789Z"),
        (1772608500.1, {"as": "s"}, "2026-03-04T07:15:00.100000Z"),
        (1772608500.123456, {"as": "s"}, "2026-03-04T07:15:00.123456Z"),
        (1772608500100, {"as": "ms"}, "2026-03-04T07:15:00.100000Z"),
        (1772608500100.25, {"as": "ms"}, "2026-03-04T07:15:00.100250Z"),
        (1772608500100001, {"as": "us"}, "2026-03-04T07:15:00.100001Z"),
        (825923700, {"as": "s", "since": "2000-01-01T00:00:00Z"}, "2026-03-04T07:15:00.000000Z"),
        ("2026-03-04T07:15:00Z", {}, "2026-03-04T07:15:00.000000Z"),
        ("2026-03-04 08:15:00.100+0100", {}, "2026-03-04T07:15:00.100000Z"),
        ("2026-03-04 08:15:00,1 +01", {}, "2026-03-04T07:15:00.100000Z"),
        ("2026-03-04T08:15:00", {"zone": "Europe/Vienna"}, "2026-03-04T07:15:00.000000Z"),
        (
            "04.03.2026 08:15:00",
            {"as": "%d.%m.%Y %H:%M:%S", "zone": "Europe/Vienna"},
            "2026-03-04T07:15:00.000000Z",
        ),
        (
            "04/03/26 07:15:00.123456789",
            {"as": "%d/%m/%y %H:%M:%S.%f", "zone": "UTC"},
            "2026-03-04T07:15:00.123456789Z",
        ),
        ("20260304081500+0100", {"as": "%Y%m%d%H%M%S%z"}, "2026-03-04T07:15:00.000000Z"),
    ],
)
def test_times(raw: Any, table: dict[str, Any], expected: str) -> None:
    assert at(raw, **table) == expected


@pytest.mark.parametrize(
    ("raw", "table", "reason", "part"),
    [
        (
            1772608500100,
            {"as": "s"},
            "time_out_of_range",
            'with as = "ms" it would be 2026-03-04T07:15:00.100000Z',
        ),
        (1772608500, {"as": "ms"}, "", ""),
        ("1e999999", {"as": "s"}, "bad_time", "is not a number of s"),
        (math.nan, {"as": "s"}, "bad_time", "is not a number of s"),
        (math.inf, {"as": "ns"}, "bad_time", "is not a number of ns"),
        (10**60, {"as": "ns"}, "bad_time", "a number of too many digits"),
        (True, {"as": "s"}, "bad_time", "is not a number"),
        ("2026-03-04T08:15:00", {}, "bad_time", "name the clock's zone in `zone`"),
        ("2026-02-30T08:15:00Z", {}, "bad_time", ""),
        ("2026-03-29T02:30:00", {"zone": "Europe/Vienna"}, "bad_time", "the clocks were set forward"),
        ("tomorrow", {}, "bad_time", "is not a time like"),
        (3, {}, "bad_time", "is not a text"),
        ("2026-03-05T00:00:00Z", {}, "clock_ahead", "ahead of the receiver"),
    ],
)
def test_bad_times_name_the_place_and_the_remedy(
    raw: Any, table: dict[str, Any], reason: str, part: str
) -> None:
    if not reason:
        assert at(raw, **table) == "1970-01-21T12:23:28.500000Z"
        return
    with pytest.raises(Rejected) as caught:
        at(raw, **table)
    assert caught.value.reason == reason
    assert caught.value.detail.startswith("@.t: ")
    assert part in caught.value.detail


@pytest.mark.parametrize("near_text", ["2026-10-25T00:40:00Z", "2026-10-25T01:20:00Z"])
def test_a_local_time_that_occurs_twice_is_the_one_nearer_to_receipt(near_text: str) -> None:
    near = instant.parse(near_text)
    table = TimeTable.model_validate({"at": "@.t", "as": "iso", "zone": "Europe/Vienna"})
    found = TimeReader(table).read("2026-10-25T02:30:00", near, near + 3600 * SECOND)
    both = [datetime(2026, 10, 25, 2, 30, fold=fold, tzinfo=ZoneInfo("Europe/Vienna")) for fold in (0, 1)]
    instants = {int(each.astimezone(UTC).timestamp()) * SECOND for each in both}
    assert found == min(instants, key=lambda each: abs(each - near))


def test_a_column_of_times_runs_through_the_hour_that_occurs_twice() -> None:
    table = TimeTable.model_validate({"at": "@.t", "as": "%d.%m.%Y %H:%M", "zone": "Europe/Vienna"})
    clock = ["01:30", "02:00", "02:30", "02:59", "02:00", "02:30", "02:59", "03:00"]
    start = instant.parse("2026-10-24T23:30:00Z")
    found, errors = TimeReader(table).column([f"25.10.2026 {each}" for each in clock], start, 2 * start)
    assert not errors
    assert [instant.text(each)[11:16] for each in found.tolist()] == [
        *("23:30", "00:00", "00:30", "00:59"),
        *("01:00", "01:30", "01:59", "02:00"),
    ]
