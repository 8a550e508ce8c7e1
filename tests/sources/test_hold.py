"""Channels sent on change are filled as by the slow twin, whatever the cuts."""

import json
import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core.batch import NO_ROWS, Key, Portion, Rows
from strikewatch.core.channels import CHANNELS, hold_column
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import Samples, decode
from strikewatch.sources.hold import LAYOUT, NO_VALUE, Hold
from tests.sources import malformed
from tests.sources.test_same_instant import readings_of, rows_of

TIME = "2026-03-04T07:15:00Z"
ACTIVE_S = hold_column("active")
HB: Key = ("fennick-hollow", "HB-01")
START = 1_780_000_000 * SECOND
BOUNDS = {"active": 600 * SECOND, "oil_c": 90 * SECOND, "pressure_bar": 2 * SECOND}

Row = tuple[Instant, dict[str, float]]
Feed = tuple[list[Row], list[Instant]]


def lost(at: Instant, state: str = "lost") -> Event:
    return Event(*HB, "connection", at, {"state": state})


def filled(hold: Hold, rows: Sequence[Row], upto: Instant, ends: Sequence[Instant] = ()) -> list[Row]:
    portion = Portion(HB, rows_of(rows) if rows else NO_ROWS, upto, tuple(map(lost, ends)))
    return readings_of(hold.fill(portion).rows)


def filled_by_twin(feed: Feed, upto: Instant) -> list[Row]:
    """Fill rows by the definition: look up the held values at each instant."""
    rows, ends = feed
    at_row = dict(rows)
    values_of: dict[str, list[tuple[Instant, float, Instant]]] = {}  # channel → when, value, until when
    for at in sorted({*at_row, *ends}):
        for name in CHANNELS:
            value = at_row.get(at, {}).get(name, math.nan)
            if at in ends and value != value:
                value = NO_VALUE
            if value == value:
                hold_s = at_row.get(at, {}).get(hold_column(name), math.nan)
                bound = BOUNDS.get(name, 0) if hold_s != hold_s else round(hold_s * SECOND)
                until = at if math.isinf(value) or not bound else at + bound
                values_of.setdefault(name, []).append((at, value, until))

    def newest(name: str, at: Instant, before: bool = False) -> tuple[Instant, float, Instant]:
        found = [
            entry for entry in values_of.get(name, ()) if entry[0] < at or (entry[0] == at and not before)
        ]
        return found[-1] if found else (0, math.nan, 0)

    instants = set(at_row)
    marks = sorted({*at_row, *ends})
    for begin, end in pairwise([*marks, upto + 1]):
        for name in values_of:
            _, value, until = newest(name, begin)
            if math.isfinite(value) and until > begin:
                last = until - (0 if name == "active" else CHANNELS[name].hold_ns)
                instants |= {at for at in (last, until) if begin < at < end}
                instants |= set(range(begin + SECOND, min(end, until + 1), SECOND))
    instants |= {
        at
        for at in ends
        if any(value == value and until >= at for _, value, until in (newest(n, at, True) for n in values_of))
    }
    out: list[Row] = []
    for at in sorted(instants):
        values = {n: v for n, v in at_row.get(at, {}).items() if n in CHANNELS and math.isfinite(v)}
        for name in values_of:
            if name in values:
                continue
            _, value, until = newest(name, at)
            if name != "active":
                if math.isfinite(value) and at <= until - CHANNELS[name].hold_ns:
                    values[name] = value
            elif math.isfinite(value) and at < until:
                values[name] = value
            else:
                begin, held, until = newest(name, at, True)
                if held >= 0.5 and (at == until or (newest(name, at)[0] == at and at <= until)):
                    values[name] = 0.0
        out.append((at, dict(sorted(values.items()))))
    return out


@st.composite
def feeds(draw: st.DrawFn) -> Feed:
    steps = draw(
        st.lists(
            st.sampled_from(
                [1, SECOND // 10, SECOND, SECOND - 1, 2 * SECOND, 20 * SECOND, 90 * SECOND, 600 * SECOND]
            )
            | st.integers(1, 700 * SECOND),
            min_size=1,
            max_size=14,
        )
    )
    times = [START + int(at) for at in np.cumsum(steps)]
    not_sampled, no_value = st.just(math.nan), st.just(NO_VALUE)
    values: dict[str, Any] = {
        "active": not_sampled | no_value | st.sampled_from([0.0, 1.0]),
        "oil_c": not_sampled | no_value | st.floats(50, 90),
        "pressure_bar": not_sampled | st.floats(0, 200),
        "engine_rpm": not_sampled | no_value | st.floats(0, 2000),
        hold_column("engine_rpm"): not_sampled | st.sampled_from([10.0, 60.0, 7.25]),
    }
    rows = [(at, draw(st.fixed_dictionaries(values))) for at in times]
    ends = draw(st.lists(st.sampled_from(times) | st.integers(START, times[-1]), max_size=3, unique=True))
    return rows, sorted(ends)


@given(feed=feeds(), more=st.integers(0, 700 * SECOND))
def test_filled_rows_equal_those_of_the_slow_twin(feed: Feed, more: int) -> None:
    rows, ends = feed
    upto = rows[-1][0] + more
    assert filled(Hold(lambda _: BOUNDS), rows, upto, ends) == filled_by_twin(feed, upto)


@given(
    feed=feeds(),
    at=st.sets(st.integers(1, 13)),
    ticks=st.lists(st.floats(0, 1), max_size=4),
    more=st.integers(0, 700 * SECOND),
)
def test_filled_rows_do_not_depend_on_cuts(feed: Feed, at: set[int], ticks: list[float], more: int) -> None:
    """With ticks in between, and restored from bytes at each cut; a look-ahead shows the rows that follow."""
    rows, ends = feed
    upto = rows[-1][0] + more
    whole = filled(Hold(lambda _: BOUNDS), rows, upto, ends)
    hold, out, done = Hold(lambda _: BOUNDS), [], START - 1
    places = sorted({0, len(rows), *(k for k in at if k < len(rows))})
    marks = [rows[b - 1][0] for b in places[1:]]
    marks = sorted({*marks, *(START + int((upto - START) * t) for t in ticks), upto})
    for mark in marks:
        part = [row for row in rows if done < row[0] <= mark]
        due = [end for end in ends if done < end <= mark]
        if not part:
            shown = readings_of(hold.look_ahead(Portion(HB, NO_ROWS, mark, tuple(map(lost, due)))).rows)
            assert shown == [row for row in whole if done < row[0] <= mark]
        out += filled(hold, part, mark, due)
        saved, hold = hold.saved(HB), Hold(lambda _: BOUNDS)
        hold.restore(HB, f"other/1:3 {LAYOUT}", b"abc" + saved)
        done = mark
    assert out == whole


def test_held_firing_ends_at_the_exact_instant() -> None:
    """By a null, a lost connection, or the bound: not two seconds of hold time after it."""
    for feed, ends, end in (
        ([(START, {"active": 1.0}), (START + 7 * SECOND + 5, {"active": NO_VALUE})], [], 7 * SECOND + 5),
        ([(START, {"active": 1.0}), (START + 99 * SECOND, {"oil_c": 60.0})], [START + 5], 5),
        ([(START, {"active": 1.0, hold_column("active"): 30.5})], [], 30 * SECOND + SECOND // 2),
    ):
        found = filled(Hold(lambda _: {"active": 600 * SECOND}), feed, START + 99 * SECOND, ends)
        [first, *_] = [at for at, values in found if values.get("active") == 0.0]
        assert first == START + end
        assert all(values["active"] == 1.0 for at, values in found if at < first)
        assert all("active" not in values for at, values in found if at > first)


def test_rows_of_a_hammer_without_held_channels_are_unchanged() -> None:
    hold = Hold(lambda _: {})
    portion = Portion(HB, rows_of([(START, {"active": 1.0})]), START, (lost(START),))
    assert hold.fill(portion) is portion
    assert hold.look_ahead(portion) is portion
    assert HB not in hold
    assert hold.remaining(HB) == 0


def test_a_connection_that_is_restored_ends_nothing() -> None:
    hold = Hold(lambda _: {"active": 600 * SECOND})
    event = lost(START + SECOND, "restored")
    rows = hold.fill(Portion(HB, rows_of([(START, {"active": 1.0})]), START + 2 * SECOND, (event,))).rows
    assert rows.columns["active"].tolist() == [1.0, 1.0, 1.0]
    assert hold.remaining(HB) == 600 * SECOND


def read(value: Any, held: tuple[Key, ...] = ()) -> Samples:
    payload = value if isinstance(value, bytes) else json.dumps(value).encode()
    decoded = decode(malformed.SAMPLES, payload, malformed.RECEIVED, "strikewatch", held=held)
    assert isinstance(decoded, Samples)
    return decoded


def cells(rows: Rows) -> dict[str, list[float | None]]:
    return {
        name: [None if np.isnan(v) else float(v) for v in column] for name, column in rows.columns.items()
    }


def test_hold_times_are_decoded_to_columns() -> None:
    decoded_samples = read(
        {"time": TIME, "active": True, "oil_f": 140, "hold_s": {"active": 600, "oil_f": 90.5}}
    )
    assert cells(decoded_samples.rows) == {
        "active": [1.0],
        "oil_c": [60.0],
        ACTIVE_S: [600.0],
        hold_column("oil_c"): [90.5],
    }
    assert decoded_samples.unknown == ()
    block = {"time": TIME, "step_s": 1.0, "active": [True, None], "oil_c": 60, "hold_s": {"active": 9}}
    assert cells(read(block).rows) == {
        "active": [1.0, NO_VALUE],
        "oil_c": [60.0, None],
        ACTIVE_S: [9.0, 9.0],
    }
    plain = {"time": "2026-03-04T07:15:02Z", "active": None}
    assert cells(read([block, plain]).rows)[ACTIVE_S] == [9.0, 9.0, None]


def test_a_null_ends_a_hold_or_means_not_sampled_if_nothing_is_held() -> None:
    sent = {"time": TIME, "active": None, "pressure_bar": 150}
    assert cells(read(sent).rows) == {"active": [None], "pressure_bar": [150.0]}
    assert cells(read(sent, (HB,)).rows) == {"active": [NO_VALUE], "pressure_bar": [150.0]}
    assert cells(read([sent, {"time": TIME, "oil_c": 60}], (HB,)).rows) == {
        "active": [NO_VALUE, None],
        "pressure_bar": [150.0, None],
        "oil_c": [None, 60.0],
    }


@pytest.mark.parametrize(
    ("bounds", "where"),
    [
        ({"activ": 600}, "hold_s.activ:"),
        ({"active": 1}, "hold_s.active: active is valid for 2 s in any case"),
        ({"oil_c": 90_000}, "hold_s.oil_c:"),
        ({"active": "600"}, "hold_s.active:"),
        ({"active": True}, "hold_s.active:"),
        (600, "hold_s:"),
    ],
)
def test_impossible_hold_times_are_refused_with_their_place(bounds: Any, where: str) -> None:
    with pytest.raises(Rejected) as refused:
        read({"time": TIME, "active": True, "hold_s": bounds})
    assert refused.value.detail.startswith(where)


def test_a_hold_time_given_twice_is_refused() -> None:
    twice = b'{"time":"2026-03-04T07:15:00Z","active":true,"hold_s":{"active":600,"active":900}}'
    with pytest.raises(Rejected, match="active: occurs twice"):
        read(twice)
    decoded_samples = read(b"[" + twice + b',{"time":"2026-03-04T07:15:01Z","active":true}]')
    assert len(decoded_samples.rows) == 1
    assert len(decoded_samples.rejected) == 1


def test_a_message_of_held_values_spans_a_week_at_most() -> None:
    """Each second of a hold becomes a row: a message of 100 kB could otherwise become a billion of them."""

    def block(days: float, **fields: Any) -> dict[str, Any]:
        return {
            "time": "2026-01-04T07:15:00Z",
            "step_s": days * 86_400,
            "active": [True, False],
            **fields,
        }

    held = {"hold_s": {"active": 86_400}}
    assert len(read(block(7, **held)).rows) == len(read(block(8)).rows) == 2
    with pytest.raises(Rejected, match="too_large: payload: 7 days of values that are held"):
        read(block(7.5, **held))
    with pytest.raises(Rejected, match="too_large"):
        read(block(8), held=(HB,))
