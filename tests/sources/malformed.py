"""Seeded malformed payloads; the long run over them is `python -m tests.long.malformed`."""

import json
import random
from collections import Counter
from collections.abc import Callable, Iterator
from itertools import chain
from typing import Any

import numpy as np

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.errors import Rejected
from strikewatch.sources.decode import MAX_AHEAD, Decoded, Samples, decode
from strikewatch.sources.decode.samples import MAX_UNKNOWN
from strikewatch.sources.decode.scanner import Scanner
from strikewatch.sources.reasons import REASONS

RECEIVED = instant.parse("2026-03-04T07:20:00Z")
SAMPLES = "strikewatch/fennick-hollow/HB-01/samples"
EVENTS = "strikewatch/fennick-hollow/HB-01/events"

_INSTANT = {"time": "2026-03-04T07:15:00.100Z", "active": True, "pressure_bar": 142.5, "oil_c": 61.2}
_BLOCK = {
    "time": "2026-03-04T07:15:00Z",
    "step_s": 0.1,
    "active": [True, True, False],
    "pressure_bar": [141, 143, None],
    "oil_c": 61.2,
}
_PACK = [
    {"bn": "urn:dev:ow:10e2073a0108006:", "bt": 1772608500.1, "bu": "Cel", "n": "oil", "v": 61.2},
    {"n": "pressure", "u": "hPa", "t": -1, "v": 142500},
    {"n": "active", "vb": True},
]
_EVENTS = [
    {"time": "2026-03-04T07:15:00Z", "event": "sign_on", "operator": "op-14"},
    {"time": "2026-03-04T07:15:00Z", "event": "grease", "strokes": [12, 12], "method": "manual"},
    {
        "time": "2026-03-04T07:15:00Z",
        "event": "inspection",
        "bushing": "second_groove_faint",
        "bore_mm": 121.5,
    },
    {"time_ms": 1772608500000, "event": "storage", "state": "in"},
]

_TIME = '"time":"2026-03-04T07:15:00Z"'


def _keys(n: int) -> str:
    return ",".join(f'"key_{k}":1' for k in range(n))


OVERSIZED: list[tuple[str, bytes, str]] = [
    (SAMPLES, f"{{{_TIME},{_keys(40_000)}}}".encode(), "too_many_keys"),
    (SAMPLES, f'{{{_TIME},{_keys(40_000)},"key_39999":2}}'.encode(), "too_many_keys"),
    (SAMPLES, f'{{{_TIME},"hold_s":{{{_keys(40_000)}}}}}'.encode(), "too_many_keys"),
    (SAMPLES, f'[{{"n":"oil","u":"Cel","v":1,{_keys(40_000)}}}]'.encode(), "too_many_keys"),
    (SAMPLES, b"[" + b"1," * 1_500_000 + b"1]", "too_large"),
    (SAMPLES, b"[" + b"[]," * 1_500_000 + b"1]", "too_large"),
    (SAMPLES, b"[" + b"{}," * 1_500_000 + b"{}]", "too_large"),
    (SAMPLES, f'{{{_TIME},"x":['.encode() + b"[[[]]]," * 500_000 + b"1]}", "too_large"),
    (SAMPLES, f'{{{_TIME},"x":['.encode() + b"1," * 3_000_000 + b"1]}", "too_large"),
    (SAMPLES, b'{"time_ms":' + b"9" * 1_000_000 + b"}", "not_json"),
    (
        SAMPLES,
        b'{"time":"2020-03-04T07:15:00Z","step_s":86400,"hold_s":{"active":86400},"active":['
        + b"true," * 1000
        + b"true]}",
        "too_large",
    ),
    (EVENTS, f'{{{_TIME},"event":"sign_off",{_keys(1_000)}}}'.encode(), "too_many_keys"),
    (EVENTS, f'{{{_TIME},"event":"check","corrects":{{{_keys(1_000)}}}}}'.encode(), "too_many_keys"),
    (EVENTS, f'{{{_TIME},"event":"grease","strokes":['.encode() + b'"a",' * 50_000 + b"1]}", "too_large"),
]
"""Payloads of which a lenient decoder would make much more than they are: (topic, payload, reason)."""

HAND_PICKED: list[tuple[str, bytes, str]] = [
    (SAMPLES, b"", "empty"),
    (SAMPLES, b" \n", "empty"),
    (SAMPLES, b"[]", "empty"),
    (SAMPLES, b"null", "shape"),
    (SAMPLES, b'"time"', "shape"),
    (SAMPLES, b"17", "shape"),
    (SAMPLES, b"{", "not_json"),
    (SAMPLES, b"[" * 100_000, "not_json"),
    (SAMPLES, b'{"time":' * 10_000, "not_json"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","x":' + b"[" * 500 + b"]" * 500 + b"}", "not_json"),
    (SAMPLES, b'\xff\xfe{"time":1}', "not_json"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","oil_c\xff":1}', "not_json"),
    (SAMPLES, '{"time":"2026-03-04T07:15:00Z"}'.encode("utf-16"), "not_json"),
    (SAMPLES, b'\xef\xbb\xbf{"time":"2026-03-04T07:15:00Z"}', "not_json"),
    (SAMPLES, b'{"time":"\\ud800"}', "not_json"),
    (SAMPLES, b"{}", "missing"),
    (SAMPLES, b'{"oil_c":61.2}', "missing"),
    (SAMPLES, b'{"time":null,"oil_c":61.2}', "bad_value"),
    (SAMPLES, b'{"time":1772608500,"oil_c":61.2}', "bad_value"),
    (SAMPLES, b'{"time_ms":"1772608500000"}', "bad_value"),
    (SAMPLES, b'{"time_ms":1772608500000.5}', "bad_value"),
    (SAMPLES, b'{"time_ms":true}', "bad_value"),
    (SAMPLES, b'{"time_ms":1772608500000,"time":"2026-03-04T07:15:00Z"}', "both_given"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00"}', "bad_time"),
    (SAMPLES, b'{"time":"2026-03-04"}', "bad_time"),
    (SAMPLES, b'{"time":"2026-02-30T07:15:00Z"}', "bad_time"),
    (SAMPLES, b'{"time":"2026-03-04T24:00:00Z"}', "bad_time"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:61.5Z"}', "bad_time"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:0\\u0665.100Z"}', "bad_time"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00.1_0Z"}', "bad_time"),
    (SAMPLES, b'{"time":"5138-11-16T09:46:40Z"}', "time_out_of_range"),
    (SAMPLES, b'{"time":"1969-12-31T23:59:59Z"}', "time_out_of_range"),
    (SAMPLES, b'{"time":"0001-01-01T00:00:00+23:59"}', "time_out_of_range"),
    (SAMPLES, b'{"time":"9999-12-31T23:59:60-23:59"}', "time_out_of_range"),
    (SAMPLES, b'{"time_ms":-1}', "time_out_of_range"),
    (SAMPLES, b'{"time_ms":' + b"9" * 4000 + b"}", "time_out_of_range"),
    (SAMPLES, b'{"time":"2026-03-04T07:25:00.001Z"}', "clock_ahead"),
    (SAMPLES, b'{"time":"2026-03-04T07:19:59Z","step_s":301,"oil_c":[1,2,3]}', "clock_ahead"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","pressure_bar":"142.5"}', "bad_value"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","pressure_bar":true}', "bad_value"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","pressure_bar":NaN}', "bad_value"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","pressure_bar":-Infinity}', "bad_value"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","pressure_bar":1e999}', "bad_value"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","pressure_bar":{}}', "bad_value"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","mystery":NaN}', "not_json"),
    (SAMPLES, b'[{"time":"2026-03-04T07:15:00Z","oil_c":NaN}]', "not_json"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","active":1}', "bad_value"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","active":"yes"}', "bad_value"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","oil_c":[61.2]}', "missing"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","oil_c":61,"oil_c":62}', "duplicate_key"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","oil_c":61,"oil\\u005fc":62}', "duplicate_key"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","oil_c":61,"oil_f":142}', "both_given"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","pressure_psi":61,"pressure_mpa":null}', "both_given"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","step_s":0,"oil_c":[1,2]}', "bad_step"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","step_s":-0.1,"oil_c":[1,2]}', "bad_step"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","step_s":1e300,"oil_c":[1,2]}', "time_out_of_range"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","step_s":"0.1","oil_c":[1,2]}', "bad_value"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","step_s":0.1,"oil_c":[1,2],"active":[true]}', "lengths"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","step_s":0.1,"oil_c":[]}', "lengths"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","step_s":0.1,"oil_c":[1,[2]]}', "bad_value"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","step_s":0.1,"oil_c":[1,"2"]}', "bad_value"),
    (SAMPLES, b'{"time":"2026-03-04T07:15:00Z","step_s":0.1,"oil_c":[1,NaN]}', "bad_value"),
    (
        SAMPLES,
        b'{"time":"2026-03-04T07:15:00Z","step_s":1e-6,"oil_c":[' + b"1," * 100_000 + b"1]}",
        "too_large",
    ),
    (SAMPLES, b'{"time":"' + b"2" * (16 * 1024 * 1024) + b'"}', "too_large"),
    (SAMPLES, b'[{"n":"oil","v":1,"vb":true}]', "both_given"),
    (SAMPLES, b'[{"n":"oil","u":"Cel","v":"1"}]', "bad_value"),
    (SAMPLES, b'[{"n":"oil","u":"lx","v":1}]', "senml_unit"),
    (SAMPLES, b'[{"n":"oil","v":1}]', "senml_unit"),
    (SAMPLES, b'[{"v":1}]', "senml_name"),
    (SAMPLES, b'[{"n":"oil","u":"Cel","v":1,"hot_":1}]', "senml_label"),
    (SAMPLES, b'[{"bver":11,"n":"oil","u":"Cel","v":1}]', "senml_version"),
    (SAMPLES, b'[{"n":"oil","u":"Cel","v":1},{"n":"oil","u":"Cel","v":2}]', "both_given"),
    (SAMPLES, b'[{"n":"oil","u":"Cel","v":1e999}]', "bad_value"),
    (EVENTS, b'[{"time":"2026-03-04T07:15:00Z","event":"sign_off"}]', "shape"),
    (EVENTS, b'{"time":"2026-03-04T07:15:00Z"}', "unknown_event"),
    (EVENTS, b'{"time":"2026-03-04T07:15:00Z","event":"lunch"}', "unknown_event"),
    (EVENTS, b'{"time":"2026-03-04T07:15:00Z","event":"sign_on"}', "missing"),
    (EVENTS, b'{"time":"2026-03-04T07:15:00Z","event":"sign_on","operator":"Jo Bloggs"}', "bad_value"),
    (EVENTS, b'{"event":"sign_off"}', "missing"),
    (EVENTS, b'{"time":"2026-03-04T07:15:00","event":"sign_off"}', "bad_time"),
    (EVENTS, b'{"time":"2026-03-04T07:30:00Z","event":"sign_off"}', "clock_ahead"),
    (EVENTS, b'{"time":"2026-03-04T07:15:00Z","event":"grease","strokes":[12.5]}', "bad_value"),
    (EVENTS, b'{"time":"2026-03-04T07:15:00Z","event":"grease","strokes":"12"}', "bad_value"),
    (
        EVENTS,
        b'{"time":"2026-03-04T07:15:00Z","event":"storage","state":"out","state":"in"}',
        "duplicate_key",
    ),
    ("strikewatch/fennick-hollow/HB+01/samples", b"{}", "topic"),
    ("strikewatch/fennick-hollow/HB/01/samples", b"{}", "topic"),
    ("strikewatch/fennick-hollow/#/samples", b"{}", "topic"),
    ("strikewatch//HB-01/samples", b"{}", "topic"),
    ("strikewatch/../HB-01/samples", b"{}", "topic"),
    ("strikewatch/fennick-hollow/HB-01", b"{}", "topic"),
    ("strikewatch/fennick-hollow/HB-01/sample", b"{}", "topic"),
    ("strikewatch/fennick-hollow/HB-01\n/samples", b"{}", "topic"),
    ("strikewatch/fennick-hollow/" + "H" * 65 + "/samples", b"{}", "topic"),
    ("other/fennick-hollow/HB-01/samples", b"{}", "topic"),
    ("", b"{}", "topic"),
]
"""(topic, payload, reason)."""

_ODD_VALUES: list[Any] = [
    None, True, False, 0, -1, 1e308, -1e308, 1.7e308, -1.7e308, 10**400,
    "", "150.2", "yes", "NaN", [], [[]], {}, [None], ["1"], {"v": 1},
    "2026-03-04T07:15:00", "5138-11-16T09:46:40Z", "0000-00-00T00:00:00Z", float("nan"), float("inf"), "\x00", "é" * 70,
]  # fmt: skip
MAX_MEMBERS = 20_000
"""Of an array that was swollen twice: no broker takes messages of hundreds of megabytes. See also OVERSIZED."""
ODD_KEYS = [
    *CHANNELS,
    *ALIASES,
    "time",
    "time_ms",
    "step_s",
    "event",
    "n",
    "v",
    "bn",
    "bt",
    "bver",
    "x_",
    "",
    "?",
]


def payloads(seed: int) -> Iterator[tuple[str, bytes]]:
    """(topic, payload) for ever: valid messages with one to four mutations of structure or bytes."""
    rng = random.Random(seed)
    structural: list[Callable[[random.Random, Any], Any]] = [_alter, _alter, _drop, _wrap, _swell]
    binary: list[Callable[[random.Random, bytes], bytes]] = [_flip, _cut, _insert, _repeat]
    while True:
        events = rng.random() < 0.25
        value: Any = rng.choice(_EVENTS if events else [_INSTANT, _BLOCK, _PACK, [_INSTANT, _BLOCK]])
        value = json.loads(json.dumps(value))
        for _ in range(rng.randrange(3)):
            value = rng.choice(structural)(rng, value)
        if rng.random() < 0.01:
            value = _overflow(rng, value)
        payload = json.dumps(value, ensure_ascii=rng.random() < 0.5).encode("utf-8", "surrogatepass")
        for _ in range(rng.choice([0, 0, 0, 1, 2])):
            payload = rng.choice(binary)(rng, payload)
        topic = EVENTS if events else SAMPLES
        if rng.random() < 0.02:
            at = rng.randrange(len(topic))
            topic = topic[:at] + rng.choice(["/", "+", "#", "\0", "é", "..", ""]) + topic[at + 1 :]
        yield topic, payload


def _alter(rng: random.Random, value: Any) -> Any:
    if isinstance(value, dict):
        key = rng.choice([*value, rng.choice(ODD_KEYS)])
        return {**value, key: rng.choice(_ODD_VALUES)}
    if isinstance(value, list) and value:
        at = rng.randrange(len(value))
        return [*value[:at], _alter(rng, value[at]), *value[at + 1 :]]
    return rng.choice(_ODD_VALUES)


def _drop(rng: random.Random, value: Any) -> Any:
    if isinstance(value, dict) and value:
        gone = rng.choice(list(value))
        return {key: each for key, each in value.items() if key != gone}
    return value


def _wrap(rng: random.Random, value: Any) -> Any:
    deep = [value]
    for _ in range(rng.choice([0, 1, 300])):
        deep = [deep]
    return deep if rng.random() < 0.5 else {"time": value}


def _swell(rng: random.Random, value: Any) -> Any:
    """Give an object or an array too many members, now and then."""
    if rng.random() < 0.9:
        return value
    if isinstance(value, dict):
        return {**value, **{f"key_{k}": k for k in range(rng.choice([90, 300]))}}
    if isinstance(value, list):
        return value * min(rng.choice([10, 1000]), MAX_MEMBERS // max(len(value), 1))
    return value


def _overflow(rng: random.Random, value: Any) -> Any:
    """Numbers that are finite as sent, and not in the channel's unit, or once a base value is added."""
    huge = rng.choice([1.7e308, -1.7e308])
    if isinstance(value, dict):
        alias, (channel, _) = rng.choice(list(ALIASES.items()))
        kept = {name: each for name, each in value.items() if name != channel}
        return {**kept, alias: [huge, None, huge] if "step_s" in value else huge}
    return [{"bt": 1772608500, "bu": "Cel", "bv": huge, "n": "oil", "v": huge}]


def _flip(rng: random.Random, payload: bytes) -> bytes:
    at = rng.randrange(len(payload) or 1)
    return payload[:at] + rng.randbytes(1) + payload[at + 1 :]


def _cut(rng: random.Random, payload: bytes) -> bytes:
    return payload[: rng.randrange(len(payload) + 1)]


def _insert(rng: random.Random, payload: bytes) -> bytes:
    at = rng.randrange(len(payload) + 1)
    extra = rng.choice(
        [b'"', b"\\", b",", b"NaN", b"\xff", b"\x00", b"[" * 50, b"1e999", b'"oil_c":1,', b"\xed\xa0\x80"]
    )
    return payload[:at] + extra + payload[at:]


def _repeat(rng: random.Random, payload: bytes) -> bytes:
    at = rng.randrange(len(payload) + 1)
    return payload[:at] + payload[at:] * rng.randrange(2, 4)


NOT_FINITE = "(not finite)"
"""Counts payloads that were decoded to an infinite value, of which there must be none."""


def bits(rows: Rows) -> tuple[list[int], dict[str, list[int]]]:
    """Return times and values as whole numbers, so that NaN is equal to NaN and -0.0 is not to 0.0."""
    columns = {name: column.view(np.int64).tolist() for name, column in sorted(rows.columns.items())}
    return rows.time_ns.tolist(), columns


def check_scanned(scanner: Scanner, payload: bytes, decoded: Samples | None) -> bool:
    """Check what the scanner makes of a payload against the strict decoder's result, None where that rejects it.

    Returns whether it was scanned. What is rejected, in part or whole, must not be.
    """
    runs = scanner.scan([payload], [0], [RECEIVED + MAX_AHEAD])
    if runs:
        assert decoded is not None and not decoded.rejected and not decoded.unknown, payload  # noqa: PT018
        assert bits(runs[0].rows) == bits(decoded.rows), payload
    return bool(runs)


SCANNED = "(scanned)"
"""Counts payloads that the scanner decoded too, to the same rows."""


def run(count: int, seed: int) -> Counter[str]:
    """Decode `count` payloads, after those too large; how often each reason was given ("" = decoded).

    Raises what is not Rejected, and AssertionError if the scanner makes anything else of a payload.
    """
    scanner = Scanner()
    reasons: Counter[str] = Counter({NOT_FINITE: 0, SCANNED: 0})
    oversized = [(topic, payload) for topic, payload, _ in OVERSIZED]
    for _, (topic, payload) in zip(range(count), chain(oversized, payloads(seed)), strict=False):
        decoded: Decoded | None = None
        try:
            decoded = decode(topic, payload, RECEIVED, "strikewatch")
        except Rejected as error:
            reasons[
                error.reason if error.reason in REASONS and len(error.detail) < 1000 else "(unclear)"
            ] += 1
        except Exception as error:
            error.add_note(f"topic {topic!r}, payload {payload[:500]!r}")
            raise
        else:
            reasons[""] += 1
            if isinstance(decoded, Samples):
                assert len(decoded.unknown) <= MAX_UNKNOWN
                columns = decoded.rows.columns.values()
                reasons[NOT_FINITE] += any(np.isinf(column).any() for column in columns)
                for error in decoded.rejected:
                    reasons[f"in array: {error.reason}"] += error.count
        if topic == SAMPLES:
            samples = decoded if isinstance(decoded, Samples) else None
            reasons[SCANNED] += check_scanned(scanner, payload, samples)
    return reasons
