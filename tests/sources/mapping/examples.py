"""The examples of `config/sources.toml`, made usable, and what their gateways send."""

import gzip
import json
import tomllib
from pathlib import Path
from typing import Any

import msgpack

SHIPPED = Path(__file__).parents[3] / "config" / "sources.toml"


def example_text() -> str:
    """Return the shipped file with its examples in use."""
    lines = SHIPPED.read_text(encoding="utf-8").splitlines()
    return "\n".join(
        line[1:] for line in lines if line.startswith("#") and not line.startswith(("# ", "#\n"))
    )


def example_tables() -> dict[str, Any]:
    return tomllib.loads(example_text())


OPC = [
    {"id": "Quarry.HB-01.Hyd.Pressure", "v": 14.25, "q": True, "t": 1772608500100},
    {"id": "Quarry.HB-01.Hyd.Running", "v": True, "q": True, "t": 1772608500100},
    {"id": "Quarry.HB-04.Hyd.Pressure", "v": 0, "q": False, "t": 1772608500100},
    {"id": "Quarry.HB-04.Hyd.Pressure", "v": 15, "q": True, "t": 1772608500200},
    {"id": "Quarry.HB-04.Engine.Speed", "v": 1790, "q": True, "t": 1772608500200},
    {"id": "Quarry.Crusher.Amps", "v": 3, "q": True, "t": 1772608500200},
]
HUB = {
    "865284049211873": [
        {"ts": 1772608501100, "values": {"din1": 0, "ai1": 3900, "temp": 850}},
        {"ts": 1772608500100, "values": {"din1": 1, "ai1": 9700, "temp": 61.2}},
    ],
    "865284049211881": [{"ts": 1772608500100, "values": {"temp": 40}}],
    "000": [{"ts": 1772608500100, "values": {"temp": 20}}],
}
MESSAGES: list[tuple[str, bytes]] = [
    ("pit/HB-02/P_SUPPLY", b"2060.3"),
    ("pit/HB-02/T_OIL", b"142.5\n"),
    ("pit/HB-02/HAMMER", b"ON"),
    ("pit/HB-02/HAMMER", b'"OFF"'),
    ("pit/HB-02/DOOR", b"1"),
    ("pit/HB-02/P_SUPPLY", b"---"),
    (
        "v1/fennick-hollow/HB-01/telem",
        b'{"t":1772608500.1,"hyd":{"hammer":{"on":true},"p":[14250,900],"oil-temp":{"value":61.2,"u":"C"}},"n":7}',
    ),
    ("v1/fennick-hollow/HB-01/telem", b'{"t":1772608500100,"hyd":{"hammer":{"on":true}}}'),
    ("v1/fennick-hollow/HB-01/telem", b'{"t":1772608500.2,"hyd":{"hammer":{"on":"running"}}}'),
    ("v1/fennick-hollow/HB-01/telem", b'{"t":1772608500.1,"Hyd":{"p":[1]}}'),
    ("scada/opc/groups/7", json.dumps({"timestamp": 1772608500300, "values": OPC}).encode()),
    ("gw/A17/telemetry", gzip.compress(json.dumps(HUB).encode(), mtime=0)),
    (
        "daq/fennick-hollow/HB-06/burst",
        msgpack.packb({"t0": 1772608500000000, "fs": 500, "p": [1411, 1420, None, 1398]}),
    ),
    ("rtu/05/regs", b'{"timestamp":"2026-03-04 08:15:00.100+0100","regs":[9,1425,1012]}'),
    ("rtu/05/regs", b'{"timestamp":"2026-03-04 08:15:00.200+01","regs":[1,65535,65535]}'),
    ("rtu/05/regs", b'{"timestamp":"2026-03-04 08:15:00.300","regs":[1,65535,65535]}'),
    ("cab/rd-07/card", b'{"uid":"04A2B911","way":"in","at":"2026-03-04T08:14:59"}'),
    ("cab/rd-07/card", b'{"uid":"99C0FFEE","way":"in","at":"2026-03-04T08:15:01"}'),
]
