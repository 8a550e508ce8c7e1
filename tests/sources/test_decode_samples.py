"""Samples by the contract: instants, blocks, arrays; exact times; what is refused, and with what words."""

import contextlib
import json
from decimal import Decimal
from typing import Any

import numpy as np
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND
from strikewatch.errors import Rejected
from strikewatch.sources.decode import Samples, decode
from strikewatch.sources.ordering import Reorderer
from strikewatch.sources.reasons import REASONS
from tests.profiles import examples
from tests.sources import malformed

RECEIVED = malformed.RECEIVED
NUMBERS = st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(2**60), 2**60)


def read(value: Any, **options: Any) -> Samples:
    payload = value if isinstance(value, bytes) else json.dumps(value).encode()
    decoded = decode(malformed.SAMPLES, payload, RECEIVED, "strikewatch", **options)
    assert isinstance(decoded, Samples)
    return decoded


def table(rows: Rows) -> dict[str, list[float | None]]:
    return {
        name: [None if np.isnan(v) else float(v) for v in column] for name, column in rows.columns.items()
    }


def test_one_instant_of_the_contract() -> None:
    got = read(b'{"time":"2026-03-04T07:15:00.100Z","active":true,"pressure_bar":142.5,"oil_c":61.2}')
    assert got.key == ("fennick-hollow", "HB-01")
    assert got.rows.time_ns.dtype == np.int64
    assert got.rows.time_ns.tolist() == [instant.parse("2026-03-04T07:15:00.1Z")]
    assert table(got.rows) == {"active": [1.0], "pressure_bar": [142.5], "oil_c": [61.2]}
    assert all(column.dtype == np.float64 for column in got.rows.columns.values())
    assert got.rejected == got.unknown == ()


def test_the_block_of_the_contract_has_its_scalar_at_the_first_instant() -> None:
    got = read(
        b'{"time":"2026-03-04T07:15:00Z","step_s":0.1,"active":[true,true,false],'
        b'"pressure_bar":[141,143,null],"oil_c":61.2}'
    )
    start = instant.parse("2026-03-04T07:15:00Z")
    assert got.rows.time_ns.tolist() == [start, start + 100_000_000, start + 200_000_000]
    assert table(got.rows) == {
        "active": [1.0, 1.0, 0.0],
        "pressure_bar": [141.0, 143.0, None],
        "oil_c": [61.2, None, None],
    }


@given(
    first=st.integers(0, (RECEIVED - 400 * instant.SECOND) // 1_000_000),
    step=st.decimals("0.000001", "0.1", places=9)
    | st.sampled_from([Decimal("0.1"), Decimal("0.0333333333333")]),
    count=st.integers(1, 400),
)
def test_the_times_of_a_block_do_not_drift(first: int, step: Decimal, count: int) -> None:
    """Instant i is the exact decimal first + i * step, rounded once: within half a nanosecond for any i."""
    got = read(f'{{"time_ms":{first},"step_s":{step:f},"oil_c":[{",".join(["1"] * count)}]}}'.encode())
    for i, time in enumerate(got.rows.time_ns.tolist()):
        assert abs(Decimal(time) - (Decimal(first) * 1_000_000 + i * step * instant.SECOND)) <= Decimal("0.5")


@settings(max_examples=examples(60))
@given(st.data())
def test_single_instants_are_decoded_as_sent(data: st.DataObject) -> None:
    """Round trip of any channels, through one object and through an array of objects, sorted by time."""
    value = {
        name: st.none() | (st.booleans() if channel.boolean else NUMBERS)
        for name, channel in CHANNELS.items()
    }
    one = st.fixed_dictionaries({"time_ms": st.integers(0, RECEIVED // 1_000_000)}, optional=value)
    sent = data.draw(st.lists(one, min_size=1, max_size=8))
    for message in (sent, sent[0]):
        rows = read(message).rows
        objects = message if isinstance(message, list) else [message]
        objects = sorted(objects, key=lambda each: each["time_ms"])
        assert rows.time_ns.tolist() == [each["time_ms"] * 1_000_000 for each in objects]
        assert set(rows.columns) == {name for each in objects for name in each} - {"time_ms"}
        for name, column in table(rows).items():
            expected = [each.get(name) for each in objects]
            assert column == [None if e is None else float(e) for e in expected]


def test_unit_conversions_agree_with_pint() -> None:
    """Source: the reference library pint; 176 °F = 80 °C exactly."""
    unit = pint.UnitRegistry()
    time = {"time": "2026-03-04T07:15:00Z"}
    sent = {
        "pressure_psi": (2066.8, "psi"),
        "pressure_mpa": (14.25, "MPa"),
        "pressure_pa": (14_250_000, "Pa"),
    }
    for name, (value, symbol) in sent.items():
        (bar,) = read({**time, name: value}).rows.columns["pressure_bar"].tolist()
        assert bar == pytest.approx(unit.Quantity(value, symbol).to("bar").magnitude, rel=1e-9)
    assert read({**time, "oil_f": 176}).rows.columns["oil_c"].tolist() == [80.0]
    block = read({**time, "step_s": 1, "oil_f": [176, None, 212]}).rows
    assert table(block) == {"oil_c": [80.0, None, 100.0]}


def test_invalid_objects_of_an_array_are_left_out_alone() -> None:
    got = read(
        b'[{"time":"2026-03-04T07:15:00Z","oil_c":61},'
        b'{"time":"2026-03-04T07:15:01","oil_c":61},'
        b'{"time":"2026-03-04T07:15:02Z","step_s":1,"oil_c":[62,63],"colour":"red"},'
        b'{"time":"2026-03-04T07:15:04Z","oil_c":64,"oil_c":65},'
        b'{"time":"2026-03-04T07:15:05Z","pressure_bar":"1"},'
        b'{"time":"2026-03-04T07:15:06Z","active":true},7]'
    )
    start = instant.parse("2026-03-04T07:15:00Z")
    assert [(t - start) // instant.SECOND for t in got.rows.time_ns.tolist()] == [0, 2, 3, 6]
    assert table(got.rows) == {"oil_c": [61, 62, 63, None], "active": [None, None, None, 1]}
    assert [(e.reason, e.detail.split(":")[0]) for e in got.rejected] == [
        ("bad_time", "[1].time"),
        ("duplicate_key", "[3].oil_c"),
        ("bad_value", "[4].pressure_bar"),
        ("shape", "[6]"),
    ]
    assert got.unknown == ("colour",)


def test_unknown_keys_are_ignored_and_reported() -> None:
    got = read(
        {"time": "2026-03-04T07:15:00Z", "oil_c": 61, "firmware": "2.1", "gps": {"lat": [1]}, "n": [1]}
    )
    assert table(got.rows) == {"oil_c": [61.0]}
    assert got.unknown == ("firmware", "gps", "n")


def test_values_out_of_range_are_kept_for_the_detectors() -> None:
    assert table(read({"time": "2026-03-04T07:15:00Z", "oil_c": 9999}).rows) == {"oil_c": [9999.0]}


def test_the_limit_for_future_times_is_exact() -> None:
    """A time exactly max_ahead after reception passes; a millisecond later it is a wrong clock."""
    ahead = (RECEIVED + 60 * instant.SECOND) // 1_000_000
    assert len(read({"time_ms": ahead}, max_ahead=60 * instant.SECOND).rows) == 1
    with pytest.raises(Rejected, match="clock_ahead"):
        read({"time_ms": ahead + 1}, max_ahead=60 * instant.SECOND)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1985-04-12T23:20:50.52Z", 482_196_050.52),
        ("1996-12-19T16:39:57-08:00", 851_042_397),
        ("1990-12-31T23:59:60Z", 662_688_000),
        ("1990-12-31T15:59:60-08:00", 662_688_000),
        ("1990-12-31T23:59:60.250Z", 662_688_000.25),
        ("1937-01-01T12:00:27.87+00:20", None),
    ],
)
def test_times_are_read_as_in_rfc_3339(text: str, seconds: float | None) -> None:
    """Source: RFC 3339 section 5.8; a leap second is the next minute's first. 1937 is before what we take."""
    if seconds is None:
        with pytest.raises(Rejected, match="time_out_of_range"):
            read({"time": text})
    else:
        assert read({"time": text}).rows.time_ns.tolist() == [round(seconds * 100) * 10_000_000]


@given(
    st.text(alphabet="0123456789-:.TZ+ ٥_", max_size=40) | st.datetimes().map(lambda t: t.isoformat() + "Z")
)
def test_the_fast_time_parser_agrees_with_the_slow_one(text: str) -> None:
    """Any text gives the same instant as `instant.parse`, or is refused by both."""
    try:
        expected = instant.parse(text)
    except ValueError:
        with pytest.raises(Rejected, match="bad_time"):
            read({"time": text})
        return
    if 0 <= expected <= RECEIVED:
        assert read({"time": text}).rows.time_ns.tolist() == [expected]
    else:
        with pytest.raises(Rejected, match=r"time_out_of_range|clock_ahead"):
            read({"time": text})


@pytest.mark.parametrize(("topic", "payload", "reason"), malformed.HAND_PICKED)
def test_an_invalid_payload_is_refused_with_its_reason(topic: str, payload: bytes, reason: str) -> None:
    with pytest.raises(Rejected) as refused:
        decode(topic, payload, RECEIVED, "strikewatch")
    assert refused.value.reason == reason
    assert reason in REASONS
    assert 0 < len(refused.value.detail) < 500


def test_a_rejection_names_the_place_and_the_remedy() -> None:
    with pytest.raises(Rejected) as refused:
        read({"time": "2026-03-04T07:15:00Z", "step_s": 1, "oil_c": [1, 2, "61"]})
    assert refused.value.detail == 'oil_c[2]: must be a number, not a string or a boolean; got "61"'


@given(
    topic=st.text() | st.sampled_from([malformed.SAMPLES, malformed.EVENTS]),
    payload=st.binary(max_size=200)
    | st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
        lambda inner: (
            st.lists(inner, max_size=4)
            | st.dictionaries(st.sampled_from(malformed.ODD_KEYS) | st.text(max_size=4), inner, max_size=4)
        ),
    ).map(lambda value: json.dumps(value).encode()),
)
def test_any_bytes_decode_or_are_rejected(topic: str, payload: bytes) -> None:
    """Nothing but Rejected ever comes out."""
    with contextlib.suppress(Rejected):
        decode(topic, payload, RECEIVED, "strikewatch")


def test_seeded_malformed_payloads_never_crash() -> None:
    """Nor are they decoded to infinite values, or differently by the scanner."""
    reasons = malformed.run(8_000, seed=1)
    assert "(unclear)" not in reasons
    assert len(reasons) > 15
    assert reasons[""] < 4_800
    assert reasons[malformed.SCANNED] > 400
    assert not reasons[malformed.NOT_FINITE]


START = RECEIVED - 3600 * SECOND


def instants(n: int) -> list[dict[str, Any]]:
    return [{"time": instant.text(START + k * SECOND), "oil_c": float(k)} for k in range(n)]


def blocks(n: int) -> list[dict[str, Any]]:
    starts = [START + 3 * k * SECOND for k in range(n)]
    return [
        {"time": instant.text(at), "step_s": 1.0, "oil_c": [3.0 * k, 3.0 * k + 1, 3.0 * k + 2]}
        for k, at in enumerate(starts)
    ]


def senml(n: int) -> list[dict[str, Any]]:
    return [{"n": "oil", "u": "Cel", "v": float(k), "t": START // SECOND + k} for k in range(n)]


@pytest.mark.parametrize(("make", "rows"), [(instants, 9), (blocks, 27), (senml, 9)])
@given(order=st.permutations(range(9)))
def test_no_record_of_a_message_is_late(make: Any, rows: int, order: list[int]) -> None:
    records = make(9)
    got = read([records[k] for k in order])
    assert got.rejected == ()
    found = got.rows
    assert found.time_ns.tolist() == [START + k * SECOND for k in range(rows)]
    assert found.columns["oil_c"].tolist() == list(range(rows))
    reorderer = Reorderer("in_order")
    assert len(reorderer.add_rows(("fennick-hollow", "HB-01"), found)) == rows


def test_records_of_one_instant_keep_their_order() -> None:
    """So that the first value of a channel counts, as it does between messages."""
    times = [2, 1, 2, 1, 1]
    records = [{"time": instant.text(START + k * SECOND), "oil_c": float(i)} for i, k in enumerate(times)]
    found = read(records).rows
    assert found.columns["oil_c"].tolist() == [1.0, 3.0, 4.0, 0.0, 2.0]
    assert np.all(np.diff(found.time_ns) >= 0)
