"""The compiled scanner makes the same rows as the strict decoder, to the bit, or leaves a payload to it."""

import json
from collections.abc import Sequence
from decimal import Decimal, localcontext
from itertools import groupby
from math import inf, nextafter
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.core.instant import SECOND
from strikewatch.errors import Rejected
from strikewatch.sources.decode import MAX_AHEAD, Samples, decode
from strikewatch.sources.decode.scanner import LARGE_BYTES, Scanner
from strikewatch.sources.decode.strict_json import MAX_ROWS
from tests.profiles import examples
from tests.sources.malformed import HAND_PICKED, RECEIVED, SAMPLES, bits, check_scanned

SCANNER = Scanner()


def scan(messages: Sequence[bytes], groups: Sequence[int] | None = None) -> list[Any]:
    latest = [RECEIVED + MAX_AHEAD] * len(messages)
    return SCANNER.scan(messages, groups or [0] * len(messages), latest)


def scanned(payload: bytes) -> Rows | None:
    """Return the rows of one payload, None if it is unusual."""
    runs = scan([payload])
    return runs[0].rows if runs else None


def strictly(payload: bytes) -> Samples | None:
    """Return what the strict decoder makes of a payload; None if it rejects it, or something in it."""
    try:
        decoded = decode(SAMPLES, payload, RECEIVED, "strikewatch", MAX_AHEAD)
    except Rejected:
        return None
    assert isinstance(decoded, Samples)
    return None if decoded.rejected or decoded.unknown else decoded


def check(payload: bytes) -> bool:
    return check_scanned(SCANNER, payload, strictly(payload))


@pytest.mark.parametrize("payload", [one for topic, one, _ in HAND_PICKED if topic == SAMPLES])
def test_what_is_rejected_is_left_to_the_strict_decoder(payload: bytes) -> None:
    assert scanned(payload) is None


digits = st.text("0123456789", max_size=17)
numbers = st.builds(
    lambda sign, whole, point, decimals: sign + whole + point + decimals,
    st.sampled_from(["", "", "-"]),
    st.integers(0, 10**6).map(str) | digits,
    st.sampled_from(["", ".", "."]),
    digits,
)
exponents = st.builds(
    "{}{}{}".format, st.sampled_from("eE"), st.sampled_from(["", "-", "+"]), st.integers(0, 400)
)
long_numbers = st.builds(
    "{}{}{}{}".format,
    st.sampled_from(["", "-"]),
    st.integers(0, 10**40),
    st.just("") | st.text("0123456789", min_size=1, max_size=60).map(".{}".format),
    st.just("") | exponents,
)


@st.composite
def halfway(draw: st.DrawFn) -> str:
    """Draw the exact decimal digits of a number halfway between two floats, or as many of them, or one more."""
    below = draw(st.floats(1e-20, 1e20))
    with localcontext(prec=300):
        text = f"{(Decimal(below) + Decimal(nextafter(below, inf))) / 2:.{draw(st.integers(0, 130))}f}"
    return text + draw(st.sampled_from(["", "1", "00000"]) if "." in text else st.just(""))


floats = st.floats(allow_nan=False, allow_infinity=False).map(repr)
any_numbers = long_numbers | halfway() | numbers | floats | st.integers().map(str)
times = st.one_of(
    st.datetimes(min_value=instant.datetime(1969, 12, 30), max_value=instant.datetime(2026, 3, 5)).map(
        lambda at: at.isoformat() + "Z"
    ),
    st.builds(
        "{:04}-{:02}-{:02}T{:02}:{:02}:{:02}{}{}".format,
        st.integers(1970, 2026) | st.sampled_from([1900, 2000, 2024, 2099, 2100]),
        st.integers(0, 13),
        st.integers(0, 32) | st.integers(28, 31),
        st.integers(0, 24),
        st.integers(0, 60),
        st.integers(0, 61),
        st.sampled_from(["", ".", ".5", ".123456789", ".1234567890", ".000001"]) | digits.map(".{}".format),
        st.sampled_from(
            ["Z", "Z", "z", "", "+00:00", "-00:00", "+05:30", "-23:59", "+24:00", "+01:60", "+1:00"]
        ),
    ),
)
spaces = st.sampled_from(["", "", "", " ", "\n", "\t", "\r\n ", "\x0b", "\0"])


@st.composite
def objects(draw: st.DrawFn) -> str:
    """Draw an object of known keys, often valid; keys and spaces in any order."""
    fields: dict[str, str] = {}
    if draw(st.integers(0, 9)):
        fields["time"] = '"' + draw(times) + '"'
    else:
        fields["time_ms"] = draw(st.integers(0, 1772608500000).map(str) | any_numbers)
    block = draw(st.booleans())
    if block:
        fields["step_s"] = draw(
            st.sampled_from(["0.1", "1", "0.005", "1e-3", "0.000001", "1e-7", "60"]) | any_numbers
        )
    count = draw(st.integers(1, 4))
    names = draw(st.lists(st.sampled_from([*CHANNELS, *ALIASES]), max_size=4, unique=True))
    for name in names:
        boolean = name in CHANNELS and CHANNELS[name].boolean
        value = st.just("null") | (st.sampled_from(["true", "false"]) if boolean else numbers)
        if draw(st.integers(0, 30)) == 0:
            value |= st.sampled_from(["true", "nul", '"1"', "{}", "[]", "NaN"]) | any_numbers
        if block and draw(st.integers(0, 3)):
            cells = draw(st.lists(value, min_size=count, max_size=count))
            fields[name] = f"[{draw(spaces)}{(draw(spaces) + ',' + draw(spaces)).join(cells)}{draw(spaces)}]"
        else:
            fields[name] = draw(value)
    order = draw(st.permutations(list(fields)))
    parts = [
        f'{draw(spaces)}"{name}"{draw(spaces)}:{draw(spaces)}{fields[name]}{draw(spaces)}' for name in order
    ]
    return "{" + ",".join(parts) + "}"


any_payloads = (
    st.tuples(
        spaces, objects() | st.lists(objects(), max_size=3).map(lambda each: f"[{','.join(each)}]"), spaces
    )
    .map("".join)
    .map(str.encode)
)


@settings(max_examples=examples(100))
@given(st.lists(long_numbers | halfway() | floats, min_size=1))
def test_every_number_is_the_nearest_float(cells: list[str]) -> None:
    """As `float` reads it, apart from the integer -0; only huge values are left to the strict decoder."""
    payload = f'{{"time_ms":0,"step_s":1,"oil_c":[{",".join(cells)}]}}'.encode()
    rows = scanned(payload)
    expected = np.array([0.0 if cell == "-0" else float(cell) for cell in cells])
    assert (rows is not None) == bool((abs(expected) <= 1e300).all())
    if rows is not None:
        assert rows.columns["oil_c"].view(np.int64).tolist() == expected.view(np.int64).tolist()
        check(payload)


@settings(max_examples=examples(100))
@given(any_payloads)
def test_payloads_of_known_keys_are_decoded_alike_or_left(payload: bytes) -> None:
    check(payload)


def _usual() -> st.SearchStrategy[bytes]:
    """Payloads as gateways send them: instants, blocks and arrays, with few channels, some of them only at times."""
    number = st.integers(-(10**6), 10**6).map(lambda k: k / 1000)
    cell = {
        name: st.booleans() if CHANNELS.get(name, CHANNELS["oil_c"]).boolean else number for name in NAMES
    }
    seconds = st.integers(0, 86_400 * 60)

    def time_of(second: int) -> str:
        return instant.text(RECEIVED - second * SECOND)

    def single(second: int, values: dict[str, Any]) -> dict[str, Any]:
        return {"time": time_of(second), **values}

    def block(second: int, count: int, values: dict[str, Any]) -> dict[str, Any]:
        return {
            "time": time_of(second),
            "step_s": 0.1,
            **{name: [value] * count if k % 3 else value for k, (name, value) in enumerate(values.items())},
        }

    values = st.fixed_dictionaries({}, optional={name: cell[name] | st.none() for name in NAMES})
    one = st.builds(single, seconds, values) | st.builds(block, seconds, st.integers(1, 5), values)
    many = st.lists(one, min_size=1, max_size=4).map(
        lambda each: sorted(each, key=lambda fields: str(fields["time"]))
    )
    return (one | many).map(lambda value: json.dumps(value).encode())


LARGE = (
    f'{{"time_ms":1,"step_s":0.001,"active":[{",".join(["true"] * MAX_ROWS)}],'
    f'"oil_f":[{",".join(["60.123456789012345"] * MAX_ROWS)}]}}'.encode()
)
LONG = b"(very long)"
NAMES = ("active", "pressure_bar", "oil_f", "oil_c", "grease_flow")


@settings(max_examples=examples(50))
@given(
    st.lists(
        st.tuples(
            st.integers(0, 2),
            _usual() | any_payloads | st.sampled_from([b"", b"{}", LONG + b"x", LONG + b'{"time_ms":1}']),
        ),
        max_size=12,
    )
)
def test_runs_are_the_joined_rows_of_their_payloads(messages: list[tuple[int, bytes]]) -> None:
    """Each usual payload is in one run of its group, in order; an unusual one ends a run, and so does a large one."""
    messages = [(group, payload.replace(LONG, b" " * LARGE_BYTES)) for group, payload in messages]
    messages.sort(key=lambda each: each[0])
    large = [k if len(payload) > LARGE_BYTES else None for k, (_, payload) in enumerate(messages)]
    groups = [group for group, _ in messages]
    usual = [scanned(payload) is not None for _, payload in messages]
    runs = scan([payload for _, payload in messages], groups)
    together = groupby(range(len(messages)), lambda k: (usual[k], groups[k], large[k]))
    places = [list(numbers) for (found, *_), numbers in together if found]
    assert [list(range(run.first, run.last)) for run in runs] == places
    for each in runs:
        parts = []
        for _, payload in messages[each.first : each.last]:
            decoded = strictly(payload)
            assert decoded is not None
            parts.append(decoded.rows)
        assert bits(each.rows) == bits(Rows.join(parts))
        assert each.newest == parts[-1].time_ns[-1]


@pytest.mark.parametrize(
    "payload",
    [
        b'{"time":"2026-03-04T07:15:00.100Z","active":true,"pressure_bar":142.5,"oil_c":61.2}',
        b'{"time":"2024-02-29T23:59:59+00:00","oil_c":-0.5}',
        b'{"time":"2026-01-31T00:00:00.000000001-05:30","oil_f":142.125,"pressure_psi":2000}',
        b'{"time_ms":1772608500000,"pressure_mpa":14.25,"active":null}',
        b'{"time":"2026-03-04T07:15:00Z","step_s":0.1,"active":[true,false],"pressure_bar":[141,null],"oil_c":61.2}',
        b'[{"time":"2026-03-04T07:15:00Z","oil_c":1},{"time":"2026-03-04T07:15:01Z","active":false}]',
        b' [ { "time_ms" : 0 } ]\n',
        *[
            json.dumps({"time_ms": 1, name: True if CHANNELS[name].boolean else 1.5}).encode()
            for name in CHANNELS
        ],
        *[json.dumps({"time_ms": 1, name: 123.456}).encode() for name in ALIASES],
    ],
)
def test_usual_payloads_are_scanned(payload: bytes) -> None:
    assert check(payload)


@pytest.mark.parametrize(
    ("payload", "usual"),
    [
        (LARGE, True),
        (LARGE.replace(b"[true,", b"[true,true,").replace(b"[60.1", b"[0,60.1"), False),
        (b"[" + b",".join(b'{"time_ms":%d}' % k for k in range(MAX_ROWS)) + b"]", True),
        (b"[" + b",".join(b'{"time_ms":%d}' % k for k in range(MAX_ROWS + 1)) + b"]", False),
        (LARGE.replace(b"60.", b"1" + b"0" * 30 + b"."), True),
        (LARGE[:-3] + b"9" * 500 + b"]}", False),
    ],
    ids=["rows", "too many rows", "objects", "too many objects", "many digits", "a very long number"],
)
def test_a_large_payload_is_scanned_if_it_has_no_more_rows_than_allowed(payload: bytes, usual: bool) -> None:
    assert len(payload) > LARGE_BYTES
    assert (scanned(payload) is not None) == usual
    if usual:
        assert check(payload)


def test_a_step_of_many_payloads_is_scanned_in_pieces() -> None:
    """All of it, in order, each piece with a run for every group in it."""
    count = 2 * LARGE_BYTES // 1000
    block = ",".join(["20.25"] * 200)
    messages = [
        b'{"time_ms":%d,"step_s":0.001,"oil_c":[%s]}' % (200 * k, block.encode()) for k in range(count)
    ]
    groups = [k // (count // 3) for k in range(count)]
    runs = scan(messages, groups)
    assert [k for run in runs for k in range(run.first, run.last)] == list(range(count))
    assert all(groups[run.first] == groups[run.last - 1] for run in runs)
    assert len(set(groups)) < len(runs) <= 10
    times_ms = np.concatenate([run.rows.time_ns for run in runs]) // 10**6
    assert times_ms.tolist() == list(range(200 * count))


@pytest.mark.parametrize(
    "name", ["2024-02-29", "2023-02-29", "2000-02-29", "2026-02-28", "2025-12-31", "2026-04-31"]
)
def test_the_last_days_of_months(name: str) -> None:
    payload = f'{{"time":"{name}T00:00:00Z"}}'.encode()
    assert check(payload) == (strictly(payload) is not None)


def test_every_day_is_the_instant_of_the_calendar() -> None:
    day = 86_400 * SECOND
    for at in range(0, RECEIVED, day):
        rows = scanned(b'{"time":"%s"}' % instant.text(at).encode())
        assert rows is not None
        assert rows.time_ns.tolist() == [at]
