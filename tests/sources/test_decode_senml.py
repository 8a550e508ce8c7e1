"""RFC 8428 packs, in JSON and in CBOR."""

import json
from decimal import Decimal
from typing import Any

import cbor2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import Samples, decode
from strikewatch.sources.decode.cbor import read_senml
from tests.sources.malformed import RECEIVED, SAMPLES


def read(pack: list[dict[str, Any]], received: int = RECEIVED) -> Samples:
    decoded = decode(SAMPLES, json.dumps(pack).encode(), received, "strikewatch")
    assert isinstance(decoded, Samples)
    return decoded


def renamed(pack: str) -> list[dict[str, Any]]:
    """The RFC's own example with its electric quantities standing in as ours: volts as bar, amperes as degrees."""
    for theirs, ours in (
        ('"u":"V"', '"u":"bar"'),
        ('"bu":"A"', '"bu":"Cel"'),
        ("voltage", "pressure"),
        ("current", "oil"),
    ):
        pack = pack.replace(theirs, ours)
    value: list[dict[str, Any]] = json.loads(pack)
    return value


MULTIPLE_DATAPOINTS = """[
 {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
 {"n":"current","t":-5,"v":1.2}, {"n":"current","t":-4,"v":1.3}, {"n":"current","t":-3,"v":1.4},
 {"n":"current","t":-2,"v":1.5}, {"n":"current","t":-1,"v":1.6}, {"n":"current","v":1.7}]"""


def test_the_example_of_rfc_8428_is_resolved_as_published() -> None:
    """Source: RFC 8428 sections 5.1.2 and 5.1.4: the example and its resolved form, to the millisecond."""
    rows = read(renamed(MULTIPLE_DATAPOINTS)).rows
    order = np.argsort(rows.time_ns)
    assert rows.time_ns[order].tolist() == [1_276_020_071_001_000_000 + i * instant.SECOND for i in range(6)]
    assert rows.columns["oil_c"][order].tolist() == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    assert rows.columns["pressure_bar"][order].tolist()[-1] == 120.1
    assert np.isnan(rows.columns["pressure_bar"][order][:-1]).all()


def test_unknown_names_are_reported_and_no_error() -> None:
    """Source: RFC 8428 section 5.1.2, without any known channel: no row, and both names are reported."""
    decoded = read(json.loads(MULTIPLE_DATAPOINTS))
    assert len(decoded.rows) == 0
    assert decoded.unknown == ("voltage", "current")


def test_times_below_2_to_28_are_relative_to_reception() -> None:
    """Source: RFC 8428 section 4.5.3; without any time a record is of now."""
    rows = read([{"n": "oil", "u": "Cel", "v": 60}, {"n": "oil", "u": "Cel", "t": -90.5, "v": 59}]).rows
    assert rows.time_ns.tolist() == [RECEIVED - 90_500_000_000, RECEIVED]
    with pytest.raises(Rejected, match="clock_ahead"):
        read([{"n": "oil", "u": "Cel", "t": 2**28 - 1, "v": 60}])
    assert read([{"n": "oil", "u": "Cel", "t": 2**28, "v": 60}]).rows.time_ns.tolist() == [
        2**28 * instant.SECOND
    ]


@pytest.mark.parametrize(
    ("record", "channel", "value"),
    [
        ({"n": "pressure", "u": "Pa", "v": 1.5e7}, "pressure_bar", 150.0),
        ({"n": "pressure_bar", "u": "hPa", "v": 150_000}, "pressure_bar", 150.0),
        ({"n": "pressure", "u": "kPa", "v": 15_000}, "pressure_bar", 150.0),
        ({"n": "pressure_bar", "v": 150}, "pressure_bar", 150.0),
        ({"n": "oil", "u": "K", "v": 353.15}, "oil_c", 80.0),
        ({"n": "oil_c", "u": "degF", "v": 176}, "oil_c", 80.0),
        ({"n": "oil_f", "v": 176}, "oil_c", 80.0),
        ({"n": "active", "vb": False}, "active", 0.0),
        ({"n": "active", "u": "/", "v": 1}, "active", 1.0),
        ({"n": "engine", "u": "1/min", "v": 1800}, "engine_rpm", 1800.0),
        ({"n": "tilt", "u": "rad", "v": np.pi / 12}, "tilt_deg", 15.0),
        ({"n": "boom_stroke", "u": "%", "v": 95}, "boom_stroke", 0.95),
        ({"bn": "rig/tool_x", "bu": "m", "bv": 100, "v": 2.5}, "tool_x_m", 102.5),
    ],
)
def test_names_and_units_are_mapped_to_channels(record: dict[str, Any], channel: str, value: float) -> None:
    """The channel with or without its unit; the unit given wins over the one in the name; base value added."""
    rows = read([record]).rows
    assert list(rows.columns) == [channel]
    assert rows.columns[channel].tolist() == pytest.approx([value], rel=1e-12)


def test_records_of_one_instant_become_one_row_and_base_values_carry_on() -> None:
    rows = read(
        [
            {"bn": "a:", "bt": 1_772_608_500.1},
            {"n": "active", "vb": True},
            {"n": "pressure_bar", "v": 140},
            {"n": "active", "t": 0.1, "vb": False},
        ]
    ).rows
    assert rows.time_ns.tolist() == [1_772_608_500_100_000_000, 1_772_608_500_200_000_000]
    assert rows.columns["active"].tolist() == [1.0, 0.0]


def test_only_an_unknown_label_ending_in_underscore_is_an_error() -> None:
    """Source: RFC 8428 section 4.4."""
    good = {"n": "oil", "u": "Cel", "v": 60}
    assert read([{**good, "colour": 1}]).unknown == ("colour",)
    with pytest.raises(Rejected, match=r"senml_label: \[0\].colour_"):
        read([{**good, "colour_": 1}])


@given(st.floats(2**28, 4.1e9), st.floats(-1e6, 1e6) | st.integers(-100, 100), st.integers(0, 9))
def test_times_are_exact_sums_of_decimals(base_s: float, time_s: float, digits: int) -> None:
    """Of the numbers as sent, rounded once to the nanosecond; a sum of floats is up to 0.2 µs off."""
    base_s, time_s = round(base_s, digits), round(time_s, digits)
    exact = round((Decimal(repr(base_s)) + Decimal(repr(time_s))) * instant.SECOND)
    if 2**28 * instant.SECOND <= exact < instant.LATEST:
        pack = json.dumps([{"bt": base_s, "n": "oil_c", "v": 60, "t": time_s}]).encode()
        decoded = decode(SAMPLES, pack, instant.LATEST, "strikewatch")
        assert isinstance(decoded, Samples)
        assert decoded.rows.time_ns.tolist() == [exact]


def test_rows_come_in_order_of_time() -> None:
    rows = read(
        [{"n": "oil_c", "t": -1, "v": 2}, {"n": "oil_c", "t": -3, "v": 0}, {"n": "oil_c", "t": -2, "v": 1}]
    ).rows
    assert rows.columns["oil_c"].tolist() == [0, 1, 2]


CBOR_LABELS = {
    **{"bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6},
    **{"n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8},
}
"""RFC 8428, section 6, table 4."""


def in_cbor(pack: list[dict[str, Any]]) -> bytes:
    return cbor2.dumps(
        [{CBOR_LABELS.get(label, label): value for label, value in each.items()} for each in pack]
    )


MULTIPLE_DATAPOINTS_IN_CBOR = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a313065323037336130313038303036"
    "3a22fb41d303a15b00106223614120050067766f6c746167650161560"
    "2fb405e066666666666"
    "a3006763757272656e7406 2402fb3ff3333333333333 a3006763757272656e7406 2302fb3ff4cccccccccccd"
    "a3006763757272656e7406 2202fb3ff6666666666666 a3006763757272656e7406 2102fb3ff8000000000000"
    "a3006763757272656e7406 2002fb3ff999999999999a a3006763757272656e7406 0002fb3ffb333333333333"
)
"""RFC 8428, section 6: the dump of the example of section 5.1.2, with a time of 0 in the last record (from memory)."""


def test_the_example_of_rfc_8428_in_cbor_is_the_one_in_json() -> None:
    """Source: RFC 8428 section 6."""
    expected = json.loads(MULTIPLE_DATAPOINTS)
    expected[-1]["t"] = 0
    assert read_senml(MULTIPLE_DATAPOINTS_IN_CBOR) == expected


def test_a_pack_in_cbor_is_taken_on_the_topic_of_samples() -> None:
    """Told apart by its first byte: the rows are those of the same pack in JSON. A decimal fraction is a number."""
    pack = renamed(MULTIPLE_DATAPOINTS)
    decoded = decode(SAMPLES, in_cbor(pack), RECEIVED, "strikewatch")
    assert isinstance(decoded, Samples)
    expected = read(pack)
    assert decoded.rows.time_ns.tolist() == expected.rows.time_ns.tolist()
    for name, column in expected.rows.columns.items():
        assert decoded.rows.columns[name] == pytest.approx(column, nan_ok=True, abs=0)
    fraction = bytes.fromhex("81a3 00 656f696c5f63 02 c48221196ab3 06 00".replace(" ", ""))
    decoded = decode(SAMPLES, fraction, RECEIVED, "strikewatch")
    assert isinstance(decoded, Samples)
    assert decoded.rows.columns["oil_c"].tolist() == [273.15]


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"\x80", "empty"),
        (b"\x81\x01", "shape"),
        (b"\x82\x01", "not_cbor"),
        (cbor2.dumps([{"time": "2026-03-04T07:15:00Z", "oil_c": 1}]), "shape"),
        (cbor2.dumps([{0: "oil_c", "v": 1, 2: 1}]), "duplicate_key"),
        (cbor2.dumps([{0: "oil_c", 2: float("nan")}]), "bad_value"),
        (cbor2.dumps([{0: "oil_c", 2: 2**70}] * 2), "both_given"),
        (cbor2.dumps([{0: "oil_c", 2: "60"}]), "bad_value"),
        (cbor2.dumps([{0: "oil_c", 2: 60, "hot_": 1}]), "senml_label"),
        (cbor2.dumps([{0: "oil_c", 2: 60, **{f"key_{k}": 1 for k in range(300)}}]), "too_many_keys"),
    ],
)
def test_packs_in_cbor_are_refused_like_those_in_json(payload: bytes, reason: str) -> None:
    with pytest.raises(Rejected) as refused:
        decode(SAMPLES, payload, RECEIVED, "strikewatch")
    assert refused.value.reason == reason


def test_opaque_data_in_cbor_is_passed_over() -> None:
    """Source: RFC 8428 section 6: `vd` is a byte string in CBOR."""
    decoded = decode(
        SAMPLES, in_cbor([{"n": "photo", "vd": b"\1"}, {"n": "oil_c", "v": 60}]), RECEIVED, "strikewatch"
    )
    assert isinstance(decoded, Samples)
    assert decoded.unknown == ("photo",)
    assert decoded.rows.columns["oil_c"].tolist() == [60]
