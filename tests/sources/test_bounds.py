"""What one payload or one sender may cost: bounded work, bounded reports, and no value beyond the numbers."""

import contextlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.channels import ALIASES
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.errors import Rejected
from strikewatch.settings.tree import Settings
from strikewatch.sources.decode import Samples, decode, strict_json
from strikewatch.sources.decode.samples import MAX_DETAILS, MAX_UNKNOWN
from strikewatch.sources.hammer_buffer import MAX_WAITING
from strikewatch.sources.mqtt import Message
from strikewatch.sources.ordering import Reorderer
from strikewatch.sources.recordings import TableShift
from strikewatch.storage.commit.store import Store
from tests.service.bench import GivenMessages, work_off, worker_of
from tests.sources.malformed import EVENTS, OVERSIZED, RECEIVED, SAMPLES

TIME = "2026-03-04T07:15:00Z"
HB = ("fennick-hollow", "HB-01")


def read(value: Any, **options: Any) -> Samples:
    decoded = decode(SAMPLES, json.dumps(value).encode(), RECEIVED, "strikewatch", **options)
    assert isinstance(decoded, Samples)
    return decoded


@pytest.mark.parametrize(("topic", "payload", "reason"), OVERSIZED)
def test_a_payload_above_a_bound_is_refused_with_its_reason(topic: str, payload: bytes, reason: str) -> None:
    with pytest.raises(Rejected) as refused:
        decode(topic, payload, RECEIVED, "strikewatch")
    assert refused.value.reason == reason
    assert len(refused.value.detail) < 300


def test_the_largest_messages_of_the_contract_are_within_the_bounds() -> None:
    """All channels of 100,000 rows, in a block and as instants."""
    numbers = dict.fromkeys(("pressure_bar", "oil_c", "engine_rpm", "tilt_deg"), [1.5] * strict_json.MAX_ROWS)
    block = {"time": TIME, "step_s": 1e-6, **numbers}
    assert len(read(block).rows) == strict_json.MAX_ROWS
    start = instant.parse(TIME) // 1_000_000 - strict_json.MAX_ROWS
    instants = [{"time_ms": start + k, "oil_c": 61.5} for k in range(strict_json.MAX_ROWS)]
    assert len(read(instants).rows) == strict_json.MAX_ROWS


def test_a_site_may_allow_more_keys() -> None:
    value = {"time": TIME, "oil_c": 61.5, **{f"key_{k}": k for k in range(300)}}
    assert len(read(value, max_keys=400).rows) == 1
    with pytest.raises(Rejected, match="at most 256"):
        read(value)


def test_of_many_invalid_objects_a_few_are_reported_and_all_counted() -> None:
    broken = [{"time": TIME, "oil_c": "61"}, {"time": "soon"}, 7, {"time": TIME, "oil_c": 61.5}] * 500
    got = read(broken)
    assert len(got.rows) == 500
    assert len(got.rejected) == 3 * MAX_DETAILS
    assert {
        reason: sum(error.count for error in got.rejected if error.reason == reason)
        for reason in ("bad_value", "bad_time", "shape")
    } == {"bad_value": 500, "bad_time": 500, "shape": 500}


def test_unknown_keys_of_one_message_are_reported_up_to_a_bound() -> None:
    assert len(read([{"time": TIME, f"key_{k}": 1} for k in range(500)]).unknown) == MAX_UNKNOWN
    assert len(read({"time": TIME, **{f"key_{k}": 1 for k in range(200)}}).unknown) == MAX_UNKNOWN
    pack = [{"n": f"x_{k}", "v": 1, f"key_{k}": 1} for k in range(500)]
    assert len(read(pack).unknown) == MAX_UNKNOWN


ANY_FINITE = st.floats(allow_nan=False, allow_infinity=False)


@given(st.sampled_from(sorted(ALIASES)), st.lists(ANY_FINITE, min_size=1, max_size=4))
def test_a_converted_value_is_finite_or_refused(name: str, values: list[float]) -> None:
    channel, convert = ALIASES[name]
    for value in (
        {"time": TIME, "step_s": 1.0, name: values},
        {"time": TIME, name: values[0]},
    ):
        wanted = [convert(each) for each in (values if "step_s" in value else values[:1])]
        if np.all(np.isfinite(wanted)):
            assert read(value).rows.columns[channel].tolist() == wanted
        else:
            with pytest.raises(Rejected, match=f"bad_value: {name}.*too large for its unit"):
                read(value)


@given(ANY_FINITE, ANY_FINITE, st.sampled_from([("oil", "degF"), ("pressure", "MPa"), ("engine", "Hz")]))
def test_a_base_value_and_a_value_have_a_finite_sum_or_are_refused(
    base: float, value: float, unit: tuple[str, str]
) -> None:
    record = {"bv": base, "bt": 1772608500.0, "n": unit[0], "u": unit[1], "v": value}
    if max(abs(base), abs(value)) < 1e300:
        assert all(np.isfinite(column).all() for column in read([record]).rows.columns.values())
        return
    with contextlib.suppress(Rejected):
        assert all(np.isfinite(column).all() for column in read([record]).rows.columns.values())


@pytest.mark.parametrize("fields", [{"bv": 1e308, "v": 1e308, "u": "degF"}, {"v": -1.7e308, "u": "degF"}])
def test_an_infinite_sum_is_refused(fields: dict[str, Any]) -> None:
    with pytest.raises(Rejected, match=r"bad_value: \[0\].v: .* too large for its unit"):
        read([{"bt": 1772608500.0, "n": "oil", **fields}])


@pytest.mark.parametrize("as_text", [False, True])
def test_a_recorded_value_too_large_for_a_number_is_unreadable(as_text: bool) -> None:
    fahrenheit: list[Any] = ["142", "1.7e308", "1e999"] if as_text else [142.0, 1.7e308, 3.0]
    times = pa.array([k * SECOND for k in range(1_772_608_500, 1_772_608_503)], pa.timestamp("ns", "UTC"))
    table = pa.table({"time": times, "hammer": ["HB-01"] * 3, "oil_f": fahrenheit})
    shift = TableShift(table, "here", "fennick-hollow")
    shift.as_text = as_text
    ((_, rows),) = shift.pieces()
    assert np.isfinite(rows.columns["oil_c"]).tolist() == [True, False, not as_text]
    assert shift.cells["oil_f"] == 1 + as_text
    assert "row 2: `oil_f`" in shift.examples["oil_f"]


def event(k: int) -> Event:
    return Event(*HB, "sign_on", instant.parse(TIME) + k * SECOND, {"operator": "op-14"})


def test_pending_events_are_kept_in_order_without_sorting_all_at_each_arrival(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    reorderer = Reorderer("gap")
    read_times = 0

    def effective(of: Event) -> int:
        nonlocal read_times
        read_times += 1
        return max(of.time, of.applied)

    monkeypatch.setattr(Event, "effective", property(effective))
    count = 4000
    order = np.random.default_rng(7).permutation(count).tolist()
    for k in order:
        reorderer.add_event(event(k))
    for k in range(0, count, 10):
        reorderer.portion(HB, reorderer.flush(HB), event(k).time)
    assert read_times < 40 * count
    assert reorderer.pending_events(HB) == count - 1 - (count - 10)


def test_few_of_the_rows_a_microsecond_apart_wait() -> None:
    """After a gap, rows wait for the allowed lateness, in which any number of rows may fall; none is lost."""
    reorderer = Reorderer("gap")
    out = []
    start = instant.parse(TIME)
    for begin in (start, start + 60 * SECOND, start + 60 * SECOND + 1_000, start + 120 * SECOND):
        times = begin + 2_000 * np.arange(2 * MAX_WAITING)
        out += reorderer.add_rows(HB, Rows(times, {"oil_c": np.full(len(times), 61.5)})).time_ns.tolist()
        assert len(reorderer.waiting(HB)) <= MAX_WAITING + 1
    out += reorderer.flush(HB).time_ns.tolist()
    counts = reorderer.counts()[HB]
    assert out == sorted(set(out))
    assert len(out) == counts.used
    assert counts.used + counts.late + counts.duplicate + counts.wrong_clock == 8 * MAX_WAITING


def test_events_of_a_hammer_without_samples_are_bounded_until_its_first_rows(
    tmp_path: Path,
) -> None:
    start = instant.parse(TIME)

    def message(topic: str, k: int, **fields: object) -> Message:
        body = json.dumps({"time": instant.text(start + k * SECOND), **fields}).encode()
        return Message(topic, body, RECEIVED, 0, 1, 1, False)

    def sign_on(k: int) -> Message:
        return message(EVENTS, k, event="sign_on", operator="op-14")

    def row(k: int) -> Message:
        return message(SAMPLES, k, active=False)

    messages = [*map(sign_on, range(104)), *map(row, range(110, 115)), sign_on(120)]
    store = Store(tmp_path / "watch.db")
    settings = Settings(intake={"max_pending_events": 100})
    source = GivenMessages(messages, each=1)
    worker = work_off(worker_of(store, source, lambda: RECEIVED, lambda: SECOND, settings))
    assert worker.rejected == {"too_many_events": 4}
    with store.read() as connection:
        shown = connection.exec_driver_sql("select reason, detail from rejects").all()
    assert [tuple(each) for each in shown] == [
        ("too_many_events", "100 events of this hammer wait for its samples")
    ] * 4
    store.close()


@given(
    length=st.sampled_from([strict_json.MAX_STRING_BYTES, strict_json.MAX_STRING_BYTES + 1]),
    before=st.integers(0, 3) | st.integers(1_000_000, 1_100_000),
    escaped=st.booleans(),
    as_key=st.booleans(),
    ended=st.booleans(),
)
def test_a_string_beyond_the_limit_is_refused_before_it_is_parsed(
    length: int, before: int, escaped: bool, as_key: bool, ended: bool
) -> None:
    long = b'\\"' * (length // 2) + b"x" * (length % 2) if escaped else b"x" * length
    text = b'"' + long + b'"' * ended
    payload = b" " * before + b'{"time":"' + TIME.encode() + b'",'
    payload += text + b":1}" if as_key else b'"note":' + text + b"}"
    if length > strict_json.MAX_STRING_BYTES:
        with pytest.raises(Rejected, match="too_large: payload: a string of "):
            strict_json.check_size(payload)
    elif ended:
        strict_json.check_size(payload)
