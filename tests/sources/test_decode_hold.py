"""What an object says of channels that are sent on change only: bounds, and nulls that end something."""

import json
from typing import Any

import numpy as np
import pytest

from strikewatch.core.batch import Key, Rows
from strikewatch.core.channels import hold_column
from strikewatch.errors import Rejected
from strikewatch.sources.decode import Samples, decode
from strikewatch.sources.hold import NO_VALUE
from tests.sources import malformed

TIME = "2026-03-04T07:15:00Z"
HB: Key = ("fennick-hollow", "HB-01")
ACTIVE_S = hold_column("active")


def read(value: Any, held: tuple[Key, ...] = ()) -> Samples:
    payload = value if isinstance(value, bytes) else json.dumps(value).encode()
    decoded = decode(malformed.SAMPLES, payload, malformed.RECEIVED, "strikewatch", held=held)
    assert isinstance(decoded, Samples)
    return decoded


def cells(rows: Rows) -> dict[str, list[float | None]]:
    return {
        name: [None if np.isnan(v) else float(v) for v in column] for name, column in rows.columns.items()
    }


def test_bounds_stand_beside_the_values_of_their_object() -> None:
    got = read({"time": TIME, "active": True, "oil_f": 140, "hold_s": {"active": 600, "oil_f": 90.5}})
    assert cells(got.rows) == {
        "active": [1.0],
        "oil_c": [60.0],
        ACTIVE_S: [600.0],
        hold_column("oil_c"): [90.5],
    }
    assert got.unknown == ()
    block = {"time": TIME, "step_s": 1.0, "active": [True, None], "oil_c": 60, "hold_s": {"active": 9}}
    assert cells(read(block).rows) == {
        "active": [1.0, NO_VALUE],
        "oil_c": [60.0, None],
        ACTIVE_S: [9.0, 9.0],
    }
    plain = {"time": "2026-03-04T07:15:02Z", "active": None}
    assert cells(read([block, plain]).rows)[ACTIVE_S] == [9.0, 9.0, None]


def test_a_null_is_no_value_where_something_may_be_held_and_not_sampled_elsewhere() -> None:
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
def test_bounds_that_cannot_be_are_refused_with_their_place(bounds: Any, where: str) -> None:
    with pytest.raises(Rejected) as refused:
        read({"time": TIME, "active": True, "hold_s": bounds})
    assert refused.value.detail.startswith(where)


def test_a_bound_that_stands_twice_is_refused() -> None:
    twice = b'{"time":"2026-03-04T07:15:00Z","active":true,"hold_s":{"active":600,"active":900}}'
    with pytest.raises(Rejected, match="active: occurs twice"):
        read(twice)
    got = read(b"[" + twice + b',{"time":"2026-03-04T07:15:01Z","active":true}]')
    assert len(got.rows) == 1
    assert len(got.rejected) == 1
