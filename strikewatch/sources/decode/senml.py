"""Decode RFC 8428 SenML JSON packs.

Base values apply from their record on; names, times and values are resolved as in section 4.6; times below 2^28 are
relative to the moment of reception (section 4.5.3). An unknown label is ignored unless it ends in `_`
(section 4.4). The last segment of a resolved name is the channel, with or without its unit: `urn:dev:ow:10e2:pressure`,
`rig/oil_c`. Records at one instant become one row. `bar`, `psi`, `degF`, `rpm` and `deg` are not units of RFC 8428,
but are accepted because gateways send them.
"""

import math
import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any, Final

import numpy as np
from pydantic_core import CoreSchema, SchemaValidator, ValidationError
from pydantic_core import core_schema as schema

from strikewatch.core.batch import Rows
from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import strict_json, times
from strikewatch.sources.decode.samples import MAX_UNKNOWN
from strikewatch.sources.decode.strict_json import place

VERSION: Final = 10
RELATIVE_BELOW_S: Final = 2**28

_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", re.ASCII)

Convert = Callable[[float], float]
_SAME: Final[Convert] = float
UNITS: Final[dict[str, dict[str, Convert]]] = {
    "bar": {
        "bar": _SAME,
        "Pa": ALIASES["pressure_pa"][1],
        "hPa": lambda hpa: hpa / 1e3,
        "kPa": lambda kpa: kpa / 1e2,
        "MPa": ALIASES["pressure_mpa"][1],
        "psi": ALIASES["pressure_psi"][1],
    },
    "Cel": {"Cel": _SAME, "K": lambda kelvin: kelvin - 273.15, "degF": ALIASES["oil_f"][1]},
    "rpm": {
        "rpm": _SAME,
        "1/min": _SAME,
        "1/s": lambda hertz: hertz * 60.0,
        "Hz": lambda hertz: hertz * 60.0,
    },
    "m": {"m": _SAME, "cm": lambda cm: cm / 1e2, "mm": lambda mm: mm / 1e3},
    "deg": {"deg": _SAME, "rad": math.degrees},
    "1": {"1": _SAME, "/": _SAME, "%": lambda percent: percent / 1e2, "/100": lambda percent: percent / 1e2},
}
"""For each channel unit, the accepted units and their conversion."""

_ALIAS_UNITS: Final = {"oil_f": "degF", "pressure_psi": "psi", "pressure_mpa": "MPa", "pressure_pa": "Pa"}
_SUFFIX: Final = re.compile(r"_(bar|c|rpm|m|deg)\Z")

NAMES: Final[dict[str, tuple[str, str]]] = {
    **{_SUFFIX.sub("", name): (name, "1" if c.unit == "1" else "") for name, c in CHANNELS.items()},
    **{name: (name, c.unit) for name, c in CHANNELS.items()},
    **{name: (ALIASES[name][0], unit) for name, unit in _ALIAS_UNITS.items()},
}
"""Last segment of a name → the channel, and the unit if the record gives none ("": it must give one)."""


_NUMBER: Final = schema.float_schema(strict=True, allow_inf_nan=False)
_TEXT: Final = schema.str_schema(strict=True)
_SCHEMAS: Final[dict[str, CoreSchema]] = {
    **dict.fromkeys(("bn", "bu", "n", "u", "vs", "vd"), _TEXT),
    **dict.fromkeys(("bt", "bv", "bs", "v", "s", "t", "ut"), _NUMBER),
    "bver": schema.int_schema(strict=True, gt=0),
    "vb": schema.bool_schema(strict=True),
}
"""The labels of RFC 8428 that are read, and their types."""
_VALIDATOR: Final = SchemaValidator(
    schema.typed_dict_schema(
        {label: schema.typed_dict_field(value, required=False) for label, value in _SCHEMAS.items()},
        extra_behavior="allow",
        strict=True,
    )
)
_LABELS: Final = _SCHEMAS.keys()
_BASE: Final = frozenset(label for label in _LABELS if label.startswith("b"))
_VALUES: Final = ("v", "vs", "vb", "vd")

_Record = dict[str, Any]
"""One record as sent, or what it inherits from earlier records, by label."""


def is_pack(records: list[Any]) -> bool:
    """Tell whether a JSON array is a pack: its first object has RFC 8428 labels and no `time` or `time_ms`."""
    first = next((each for each in records if isinstance(each, dict)), {})
    return not _LABELS.isdisjoint(first) and times.TIME_KEYS.isdisjoint(first)


def decode_pack(
    records: list[Any],
    payload: bytes,
    received: Instant,
    latest: Instant,
    max_keys: int = strict_json.MAX_KEYS,
) -> tuple[Rows, tuple[Rejected, ...], tuple[str, ...]]:
    """Decode a pack read from `payload`: its rows in order of first mention, no rejected objects, unknown names.

    Raises Rejected for the whole pack, because its records depend on one another.
    """
    if len(records) > strict_json.MAX_ROWS:
        raise Rejected("too_large", f"payload: {len(records)} records; at most {strict_json.MAX_ROWS}")
    if not strict_json.is_plain(payload, (each for each in records if isinstance(each, dict))):
        records = strict_json.read_again(payload)
    rows: dict[Instant, dict[str, float]] = {}
    unknown: dict[str, None] = {}
    base: _Record = {"bn": "", "bt": 0.0, "bu": "", "bv": 0.0}
    for number, each in enumerate(records):
        where = f"[{number}]"
        strict_json.check_key_count(each, max_keys, where)
        record = _record(each, where)
        base.update((label, value) for label, value in record.items() if label in _BASE)
        if len(unknown) < MAX_UNKNOWN and not record.keys() <= _LABELS:
            unknown.update(dict.fromkeys(label[:80] for label in record if label not in _LABELS))
        values = [label for label in _VALUES if label in record]
        if len(values) > 1:
            raise Rejected(
                "both_given", f"{place(where, values[1])}: is given with {values[0]}; send one value"
            )
        if not values:
            continue
        name = _name(base["bn"] + record.get("n", ""), where)
        segment = re.split("[:/.]", name)[-1]
        if segment not in NAMES:
            if len(unknown) < MAX_UNKNOWN:
                unknown[segment[:80]] = None
            continue
        channel, implied = NAMES[segment]
        value = _value(record, values[0], base, channel, implied, where)
        row = rows.setdefault(_time(record, base, received, latest, where), {})
        if channel in row:
            raise Rejected(
                "both_given", f"{where}: {channel} is given already for this instant; send it once"
            )
        row[channel] = value
    channels = dict.fromkeys(channel for row in rows.values() for channel in row)
    columns = {
        name: np.array([row.get(name, np.nan) for row in rows.values()], np.float64) for name in channels
    }
    return Rows(np.array(list(rows), np.int64), columns), (), tuple(unknown)[:MAX_UNKNOWN]


def _record(each: Any, where: str) -> _Record:
    if isinstance(each, Rejected):
        raise Rejected(each.reason, f"{where}.{each.detail}")
    try:
        record: _Record = _VALIDATOR.validate_python(each)
    except ValidationError as error:
        raise strict_json.rejected(error, where) from None
    version = record.get("bver", VERSION)
    if version > VERSION:
        raise Rejected("senml_version", f"{where}.bver: {version}; versions up to {VERSION} are understood")
    for label in record:
        if label.endswith("_"):
            spot = place(where, label)
            raise Rejected(
                "senml_label", f"{spot}: must be understood (RFC 8428, 4.4) and is not; leave it out"
            )
    return record


def _name(name: str, where: str) -> str:
    if not _NAME.fullmatch(name):
        raise Rejected(
            "senml_name", f"{where}: resolved name {name[:80]!r}; letters, digits and -:./_ (RFC 8428, 4.5.1)"
        )
    return name


def _time(record: _Record, base: _Record, received: Instant, latest: Instant, where: str) -> Instant:
    """Add base time and time as decimals: a sum of two binary floats would be off by a tenth of a microsecond."""
    time_s = Decimal(repr(base["bt"])) + Decimal(repr(record.get("t", 0.0)))
    time = round(time_s * SECOND)
    return times.within(time + received if time_s < RELATIVE_BELOW_S else time, latest, where, "t")


def _value(record: _Record, label: str, base: _Record, channel: str, implied: str, where: str) -> float:
    unit = record.get("u") or base["bu"]
    spot = place(where, label)
    if CHANNELS[channel].boolean:
        if label == "vb":
            return float(record["vb"])
        if label == "v" and unit == "/" and base["bv"] + record["v"] in (0.0, 1.0):
            return float(base["bv"] + record["v"])  # a switch, RFC 8428, 12.1, note 1
        raise Rejected("bad_value", f"{spot}: {channel} is true or false; send it as vb")
    if label != "v":
        raise Rejected("bad_value", f"{spot}: {channel} is a number; send it as v")
    units = UNITS[CHANNELS[channel].unit]
    convert = units.get(unit or implied)
    if convert is None:
        said = f"unit {unit[:40]!r} does not fit {channel}" if unit else "no unit"
        raise Rejected("senml_unit", f"{place(where, 'u')}: {said}; send one of {', '.join(units)}")
    value = convert(base["bv"] + record["v"])
    if not math.isfinite(value):
        raise Rejected("bad_value", f"{spot}: {base['bv']} + {record['v']} is too large for its unit")
    return value
