"""Seeded malformed payloads for mapped sources, by format. Long run: `python -m tests.long.malformed --mapped`."""

import gzip
import json
import random
import tomllib
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any, Final

import cbor2
import msgpack
import numpy as np

from strikewatch.core import instant
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import LATEST
from strikewatch.sources.mapping import Mapped, Sources, check_tables
from strikewatch.sources.reasons import REASONS

RECEIVED = instant.parse("2026-03-04T07:15:30Z")
_CHANNELS = """
active = { at = "@.on", on = ["ON", 1, true], off = ["OFF", 0, false], missing = [9, "?"], hold_s = 60.0 }
pressure_bar = { at = "@.p", unit = "kPa", scale = 0.1, where = { "^.good" = [true, 1] } }
oil_c = { named = "T.{hammer}", from = [4, 20], to = [-40, 150], missing = [65535] }
engine_rpm = "@.n[0]"
"""
_TREE = f"""
topic = "%s/#"
records = "$.{{group}}[*]"
where = {{ "@.kind" = ["a", 1, true] }}
time = {{ at = "@.t", as = "ms" }}
step = {{ at = "@.fs", as = "Hz" }}
site = "{{group}}"
hammer = "HB-01"
name = "@.id"
value = "@.v"
[%s.channels]
{_CHANNELS}
[%s.event]
event = {{ at = "@.e", words = {{ in = "sign_on", out = "sign_off", h = "hours" }} }}
operator = {{ at = "@.who", words = {{ x = "op-14" }} }}
meter_h = {{ at = "@.h", scale = 0.1 }}
"""
_TABLES = "".join(
    f"[{name}]\n{extra}{_TREE.replace('%s', name)}"
    for name, extra in {
        "json": "",
        "cbor": 'payload = "cbor"\n',
        "msgpack": 'payload = "msgpack"\n',
        "gzip": 'packed = "gzip"\n',
        "deflate": 'payload = "msgpack"\npacked = "deflate"\n',
        "jsonl": 'payload = "jsonl"\n',
    }.items()
).replace(
    'payload = "jsonl"\n\ntopic = "jsonl/#"\nrecords = "$',
    'payload = "jsonl"\n\ntopic = "jsonl/#"\nrecords = "$[*]',
)
_TABLES += """
[text]
topic = "text/{hammer}/{tag}"
payload = "text"
time = "arrival"
site = "pit"
name = "{tag}"
decimal = ","
[text.channels]
active = { named = "a" }
pressure_bar = { named = "p", unit = "psi", missing = ["---"] }
engine_rpm = { named = "n" }
grease_flow = { named = "f", bit = 3 }
[csv]
topic = "csv/{hammer}"
payload = "csv"
delimiter = ";"
header = true
time = { at = ["@.day", "@.clock"], as = "%d.%m.%Y %H:%M:%S,%f", zone = "Europe/Vienna" }
site = "pit"
decimal = ","
[csv.channels]
active = "@.on"
pressure_bar = "@['Druck [bar]']"
"""
FORMATS: Final = ("json", "cbor", "msgpack", "gzip", "deflate", "jsonl", "text", "csv")


def sources() -> Sources:
    tables, problems = check_tables(tomllib.loads(_TABLES))
    assert not problems, problems
    return Sources(tables)


def _value(rng: random.Random, depth: int = 0) -> Any:
    kinds = 11 if depth < 3 else 9
    match rng.randrange(kinds):
        case 0:
            return None
        case 1:
            return rng.choice([True, False])
        case 2:
            return rng.choice([0, 1, 9, 65535, 1772608500100, -1, 2**63, 2**64 - 1])
        case 3:
            return rng.choice([0.5, 142.5, 1e308, -1e308, 1772608500.1, 5e-324])
        case 4:
            return rng.choice(
                ["ON", "OFF", "1", "?", "T.HB-02", "T.", "x" * 300, "", "in", "x", "\u2028", "ö"]
            )
        case 5:
            return rng.choice([float("nan"), float("inf"), -0.0, b"\xff\x00"])
        case 6 | 7 | 8:
            return rng.uniform(-100, 30_000)
        case 9:
            return [_value(rng, depth + 1) for _ in range(rng.randrange(5))]
        case _:
            return {rng.choice("abtpvn"): _value(rng, depth + 1) for _ in range(rng.randrange(4))}


def _record(rng: random.Random) -> dict[str, Any]:
    count = rng.choice([1, 3, 3, 3, 0])
    usual = {
        "kind": rng.choice(["a", 1, True, "b"]),
        "t": 1772608500000 + rng.randrange(30_000),
        "fs": 10,
        "on": rng.choice(["ON", "OFF", 1, 0, True, 9, "?"]),
        "p": rng.choice([14250.0, [14000.0] * count]),
        "n": [1800],
        "id": "T.HB-02",
        "v": rng.choice([12.5, 65535, [12.5] * count]),
        "e": rng.choice(["in", "out", "h", None]),
        "who": rng.choice(["x", "y"]),
        "h": 12_345,
        "good": True,
    }
    for _ in range(rng.choice([0, 0, 1, 3])):
        usual[rng.choice(list(usual))] = _value(rng)
    for _ in range(rng.choice([0, 0, 0, 2])):
        usual.pop(rng.choice(list(usual)))
    return usual


def _tree(rng: random.Random) -> Any:
    if rng.random() < 0.1:
        return _value(rng)
    groups = {rng.choice(["pit", "yard", "/", ""]): [_record(rng) for _ in range(rng.choice([0, 1, 1, 2]))]}
    return {**groups, "good": _value(rng)} if rng.random() < 0.3 else groups


def _lines(rng: random.Random) -> bytes:
    end = rng.choice(["\n", "\n", "\r\n"])
    return "".join(json.dumps(_tree(rng), default=repr) + end for _ in range(rng.randrange(4))).encode()


def _csv(rng: random.Random) -> bytes:
    lines = ["day;clock;on;Druck [bar]"]
    for _ in range(rng.randrange(4)):
        clock = f"08:15:{rng.randrange(70):02d},{rng.randrange(999)}"
        lines += [f"04.03.2026;{clock};{rng.choice('012x')};148,{_value(rng, 9)}"]
    return "\r\n".join(lines).encode("utf-8", "surrogatepass")


ENCODERS: Final[dict[str, Callable[[random.Random], bytes]]] = {
    "json": lambda rng: json.dumps(_tree(rng), default=repr).encode(),
    "cbor": lambda rng: cbor2.dumps(_tree(rng)),
    "msgpack": lambda rng: bytes(msgpack.packb(_tree(rng))),
    "gzip": lambda rng: gzip.compress(json.dumps(_tree(rng), default=repr).encode(), 1),
    "deflate": lambda rng: zlib.compress(msgpack.packb(_tree(rng)), 1, -15),
    "jsonl": _lines,
    "text": lambda rng: str(_value(rng, 9)).replace(".", ",").encode(),
    "csv": _csv,
}


def _mutated(rng: random.Random, payload: bytes) -> bytes:
    for _ in range(rng.choice([0, 0, 0, 1, 1, 2, 4])):
        at = rng.randrange(len(payload) + 1)
        match rng.randrange(5):
            case 0:
                payload = payload[:at] + rng.randbytes(rng.randrange(1, 5)) + payload[at + rng.randrange(3) :]
            case 1:
                payload = payload[:at]
            case 2:
                extra = rng.choice(
                    [b'"', b"\\", b"NaN", b"\xff", b"\0", b"[" * 250, b"1e999", b"\xed\xa0\x80", b";\n"]
                )
                payload = payload[:at] + extra + payload[at:]
            case 3:
                payload = payload[:at] + payload[at:] * rng.randrange(2, 4)
            case _:
                payload = rng.randbytes(rng.randrange(60))
    return payload


def payloads(kind: str, seed: int) -> Iterator[tuple[str, bytes]]:
    """Yield topics and payloads of one format without end."""
    rng = random.Random(f"{kind} {seed}")
    while True:
        topic = {"text": f"text/HB-01/{rng.choice('apnfx')}", "csv": "csv/HB-01"}.get(kind, f"{kind}/x")
        yield topic, _mutated(rng, ENCODERS[kind](rng))


def check(found: Mapped) -> None:
    """Check what one message gave."""
    for key, rows in found.rows.items():
        assert all(key)
        assert len(rows) <= 100_000
        assert np.all(rows.time_ns[1:] >= rows.time_ns[:-1])
        assert rows.time_ns.min() >= 0
        assert rows.time_ns.max() < LATEST
        for name, column in rows.columns.items():
            assert len(column) == len(rows)
            assert name in CHANNELS or name.startswith("hold_s:")
            assert not np.isneginf(column).any()
            assert name == "active" or not np.isinf(column).any()
    for error, _, _ in found.rejects:
        assert error.reason in REASONS, error
        assert len(error.detail) < 1000
        assert error.detail.isprintable(), error.detail
    assert len(found.rejects) < 100
    assert all(passed.name.isprintable() for passed in found.passed_over)


def run(kind: str, count: int, seed: int) -> Counter[str]:
    """Map `count` payloads of one format; return how often each reason was given ("" = a value or an event)."""
    mapped = sources()
    reasons: Counter[str] = Counter()
    for _, (topic, payload) in zip(range(count), payloads(kind, seed), strict=False):
        try:
            found = mapped.map(topic, payload, RECEIVED)
            check(found)
        except Exception as error:
            error.add_note(f"topic {topic!r}, payload {payload[:500]!r}")
            raise
        reasons.update(error.reason for error, _, _ in found.rejects)
        reasons[""] += bool(found.rows or found.events)
        reasons["(passed over)"] += bool(found.passed_over)
    return reasons
