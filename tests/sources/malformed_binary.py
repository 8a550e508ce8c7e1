"""Seeded malformed payloads of the binary formats; the long run is `python -m tests.long.malformed_binary`."""

import gzip
import random
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, Final

import cbor2
import msgpack

from strikewatch.core.instant import SECOND
from strikewatch.errors import Rejected
from strikewatch.sources.decode import decode
from strikewatch.sources.decode.cbor import read_cbor
from strikewatch.sources.decode.compression import unpack
from strikewatch.sources.decode.messagepack import read_msgpack
from strikewatch.sources.decode.sparkplug import MetricRecord, NodeId, Nodes
from strikewatch.sources.decode.sparkplug import nodes as sparkplug_nodes
from strikewatch.sources.reasons import REASONS
from tests.sources import sparkplug
from tests.sources.malformed import RECEIVED, SAMPLES

Take = Callable[[bytes], object]

_VALUES: Final[list[Any]] = [
    {"t": 1_772_608_500_123, "on": True, "p": [142.5, 143.0, None, -1.5e300], "name": "Hyd/Öl"},
    [{"t": 1.5, "v": 2**63}, {"t": -1, "v": [[[]]], "x": {}}],
    {"a": {"b": {"c": [1, 2, {"d": b"\1\2"}]}}, 7: False},
    [float("inf"), float("nan"), 0.0, "", b"", "x" * 300, list(range(40))],
]
_PACKS: Final[list[Any]] = [
    [
        {-2: "rig/", -3: 1_772_608_500.1, 0: "oil", 1: "Cel", 2: 61.2},
        {0: "pressure_bar", 6: -1, 2: 140},
        {0: "active", 4: True},
    ],
    [{-1: 5, 0: "oil_c", 2: cbor2.CBORTag(4, [-1, 612]), 8: b"\0"}, {0: "colour", 3: "red", "x_y": 1}],
]
_MESSAGES: Final = ("NBIRTH", "DBIRTH", "NDATA", "DDATA", "DDATA", "DDEATH", "NDEATH")


def broken(rng: random.Random, payload: bytes) -> bytes:
    """Change, cut, insert or repeat a few bytes, now and then none."""
    for _ in range(rng.choice([0, 1, 1, 2, 4])):
        at = rng.randrange(len(payload) + 1)
        what = rng.randrange(5)
        if what == 0:
            payload = payload[:at] + rng.randbytes(1) + payload[at + 1 :]
        elif what == 1:
            payload = payload[:at]
        elif what == 2:
            payload = payload[:at] + rng.randbytes(rng.randrange(1, 9)) + payload[at:]
        elif what == 3:
            payload = payload[:at] + payload[at:] * 2
        else:
            payload = payload[:at] + payload[at + rng.randrange(1, 9) :]
    return payload


def _sparkplug_payload(rng: random.Random) -> bytes:
    kinds = [
        sparkplug.INT8,
        sparkplug.INT64,
        sparkplug.DOUBLE,
        sparkplug.BOOLEAN,
        sparkplug.STRING,
        sparkplug.BYTES,
    ]
    values: dict[int, Any] = {sparkplug.STRING: "ON", sparkplug.BOOLEAN: True, sparkplug.BYTES: b"\1"}
    metrics = []
    for _ in range(rng.randrange(5)):
        kind = rng.choice(kinds)
        metrics.append(
            sparkplug.metric(
                values.get(kind, -5),
                kind,
                name=rng.choice([None, "Hammer/On", "bdSeq", "Hyd/Öl"]),
                alias=rng.choice([None, rng.randrange(5), 2**64 - 1]),
                time_ms=rng.choice([None, sparkplug.T0_MS, 2**64 - 1]),
                null=rng.choice([None, None, True]),
                properties=rng.choice([None, sparkplug.quality(192), sparkplug.quality(500)]),
            )
        )
    return sparkplug.payload(metrics, rng.choice([None, rng.randrange(256)]), sparkplug.T0_MS)


def _take_sparkplug(rng: random.Random, known: Nodes, payload: bytes) -> None:
    """Take a message of one of some nodes, and save and restore one of them; the bounds must hold."""
    message = rng.choice(_MESSAGES)
    node = f"n{rng.randrange(6)}"
    levels = ["spBv1.0", "g", message, node, *(["d"] if message[0] == "D" else [])]
    if rng.random() < 0.02:
        levels[rng.randrange(len(levels))] = rng.choice(["", "+", "\0", "STATE", "x" * 600])
    try:
        found = known.take(levels, payload, RECEIVED + rng.randrange(100) * SECOND)
        for record in found.records:
            assert type(record) is MetricRecord
            assert type(record.name) is str
            assert type(record.value) in (type(None), bool, int, float, str)
            assert type(record.time_ns) is int
        for rejected in found.rejected:
            assert rejected.reason in REASONS
            assert len(rejected.detail) < 1000
    finally:
        changed, _ = known.take_changes()
        assert len(known) <= sparkplug_nodes.MAX_NODES
        for node_id, births, position in changed:
            if births is not None and rng.random() < 0.1:
                again = Nodes()
                again.restore(NodeId(*node_id), "sparkplug/1", births, position)


def formats(seed: int) -> dict[str, tuple[Iterator[bytes], Take]]:
    """Return, by format, payloads without end and what takes them."""
    rng = random.Random(seed)

    def forever(valid: Callable[[], bytes]) -> Iterator[bytes]:
        some = [valid() for _ in range(300)]
        while True:
            yield broken(rng, rng.choice(some))

    def packed() -> bytes:
        compress = rng.choice([gzip.compress, zlib.compress])
        return compress(rng.choice([b"", b"{}", rng.randbytes(300), bytes(rng.choice([10, 10_000]))]))

    def unpacked(payload: bytes) -> object:
        return unpack(payload, rng.choice(["gzip", "zlib", "deflate"]), 5_000)

    known = Nodes()
    return {
        "cbor": (forever(lambda: cbor2.dumps(rng.choice(_VALUES))), read_cbor),
        "msgpack": (forever(lambda: msgpack.packb(rng.choice(_VALUES))), read_msgpack),
        "senml-cbor": (
            forever(lambda: cbor2.dumps(rng.choice(_PACKS))),
            lambda payload: decode(SAMPLES, payload, RECEIVED, "strikewatch"),
        ),
        "compressed": (forever(packed), unpacked),
        "sparkplug": (forever(partial(_sparkplug_payload, rng)), partial(_take_sparkplug, rng, known)),
    }


FORMATS: Final = tuple(formats(0))


def run(name: str, count: int, seed: int) -> Counter[str]:
    """Take `count` malformed payloads of a format; how often each reason was given ("" = taken).

    Raises what is not Rejected.
    """
    payloads, take = formats(seed)[name]
    reasons: Counter[str] = Counter()
    for _ in range(count):
        payload = next(payloads)
        try:
            take(payload)
        except Rejected as error:
            clear = error.reason in REASONS and len(error.detail) < 1000
            reasons[error.reason if clear else "(unclear)"] += 1
        except Exception as error:
            error.add_note(f"{name}: {payload[:500]!r}")
            raise
        else:
            reasons[""] += 1
    return reasons
