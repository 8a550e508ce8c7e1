"""Decode RFC 8428 SenML packs, in JSON or in CBOR.

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
from functools import lru_cache
from sys import float_info
from typing import Any, Final, NamedTuple

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
RELATIVE_BELOW: Final = 2**28 * SECOND

_CACHED_CHARACTERS: Final = 200
"""Names up to this length are cached: what strangers send must not fill the memory."""
_LARGEST: Final = float_info.max

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


class _Target(NamedTuple):
    """The channel that a name stands for. `implied`: the unit if the record gives none; `units`: those accepted."""

    channel: str
    boolean: bool
    implied: str
    units: dict[str, Convert]


_TARGETS: Final = {
    segment: _Target(name, CHANNELS[name].boolean, implied, UNITS[CHANNELS[name].unit])
    for segment, (name, implied) in NAMES.items()
}

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
_NUMBERS: Final = frozenset(label for label, kind in _SCHEMAS.items() if kind is _NUMBER)
_TEXTS: Final = frozenset(label for label, kind in _SCHEMAS.items() if kind is _TEXT)
_BASE: Final = frozenset({"bn", "bt", "bu", "bv"})
_VALUES: Final = ("v", "vs", "vb", "vd")
_OTHER_VALUES: Final = frozenset({"vs", "vb", "vd"})

_Record = dict[str, Any]
"""One record as sent, by label."""


def is_pack(records: list[Any]) -> bool:
    """Tell whether an array is a pack: its first object has RFC 8428 labels and no `time` or `time_ms`."""
    for each in records:
        if isinstance(each, dict):
            return not _LABELS.isdisjoint(each) and times.TIME_KEYS.isdisjoint(each)
    return False


def decode_pack(
    records: list[Any],
    payload: bytes | None,
    received: Instant,
    latest: Instant,
    max_keys: int = strict_json.MAX_KEYS,
) -> tuple[Rows, tuple[Rejected, ...], tuple[str, ...]]:
    """Decode a pack: its rows in order of time, no rejected objects, unknown names.

    `payload`: the JSON that the records were read from; None if they were not. Raises Rejected for the whole pack,
    because its records depend on one another.
    """
    if len(records) > strict_json.MAX_ROWS:
        raise Rejected("too_large", f"payload: {len(records)} records; at most {strict_json.MAX_ROWS}")
    if payload is not None and not strict_json.is_plain(
        payload, [each for each in records if isinstance(each, dict)]
    ):
        records = strict_json.read_again(payload)
    channels: dict[str, dict[Instant, float]] = {}
    all_times: dict[Instant, None] = {}
    unknown: dict[str, None] = {}
    base_name, base_time, base_unit, base_value = "", 0.0, "", 0.0
    time, last_time, last_base = 0, math.nan, math.nan  # of the record before
    for number, each in enumerate(records):
        record = each if _is_usual(each) else _record(each, number, max_keys, unknown)
        if not _BASE.isdisjoint(record):
            base_name = record.get("bn", base_name)
            base_time = record.get("bt", base_time)
            base_unit = record.get("bu", base_unit)
            base_value = record.get("bv", base_value)
        if "v" not in record or not _OTHER_VALUES.isdisjoint(record):
            label = _value_label(record, number)
            if label is None:
                continue
        else:
            label = "v"
        name = base_name + record.get("n", "")
        segment = _last_segment(name) if len(name) <= _CACHED_CHARACTERS else _last_segment.__wrapped__(name)
        if segment is None:
            raise Rejected(
                "senml_name",
                f"[{number}]: resolved name {name[:80]!r}; letters, digits and -:./_ (RFC 8428, 4.5.1)",
            )
        target = _TARGETS.get(segment)
        if target is None:
            if len(unknown) < MAX_UNKNOWN:
                unknown[segment[:80]] = None
            continue
        value = _value(record, label, base_value, record.get("u") or base_unit, target, number)
        time_s = record.get("t", 0.0)
        if time_s != last_time or base_time != last_base:
            time = _time(base_time, time_s, received, latest, number)
            last_time, last_base = time_s, base_time
            all_times[time] = None
        column = channels.setdefault(target.channel, {})
        if time in column:
            raise Rejected(
                "both_given", f"[{number}]: {target.channel} is given already for this instant; send it once"
            )
        column[time] = value
    in_order = sorted(all_times)
    cells = np.array(
        [[column.get(at, math.nan) for at in in_order] for column in channels.values()], np.float64
    )
    columns = dict(zip(channels, cells, strict=True))
    return Rows(np.array(in_order, np.int64), columns), (), tuple(unknown)[:MAX_UNKNOWN]


def _value_label(record: _Record, number: int) -> str | None:
    """Return the label of a record's value, if it has one. Raises Rejected if it has several."""
    values = [label for label in _VALUES if label in record]
    if len(values) > 1:
        spot = place(f"[{number}]", values[1])
        raise Rejected("both_given", f"{spot}: is given with {values[0]}; send one value")
    return values[0] if values else None


def _is_usual(record: Any) -> bool:
    """Tell whether a record has only known labels other than `bver`, with values of their types; else see `_record`."""
    if type(record) is not dict:
        return False
    for label, value in record.items():
        kind = type(value)
        if kind is float or kind is int:
            if label not in _NUMBERS or not -_LARGEST <= value <= _LARGEST:
                return False
        elif kind is str:
            if label not in _TEXTS:
                return False
        elif kind is not bool or label != "vb":
            return False
    return True


def _record(each: Any, number: int, max_keys: int, unknown: dict[str, None]) -> _Record:
    """Validate a record and collect its unknown labels. Raises Rejected."""
    where = f"[{number}]"
    strict_json.check_key_count(each, max_keys, where)
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
    if len(unknown) < MAX_UNKNOWN:
        unknown.update(dict.fromkeys(label[:80] for label in record if label not in _LABELS))
    return record


@lru_cache(maxsize=4096)
def _last_segment(name: str) -> str | None:
    """Return the last segment of a resolved name; None for an invalid name."""
    return re.split("[:/.]", name)[-1] if _NAME.fullmatch(name) else None


def _time(base_s: float, time_s: float, received: Instant, latest: Instant, number: int) -> Instant:
    """Return the instant of a record. Raises Rejected."""
    exact = _in_ns(base_s) + _in_ns(time_s) if time_s else _in_ns(base_s)
    time = round(exact)
    return times.within(time + received if exact < RELATIVE_BELOW else time, latest, f"[{number}]", "t")


def _in_ns(time_s: float) -> int | Decimal:
    """Return seconds as exact ns, of the decimal number that was sent: the float itself may be 0.1 µs beside it."""
    if abs(time_s) < 2**32:  # then two numbers with six decimals are never the same float
        time_us = round(time_s * 1e6)
        if time_us / 1e6 == time_s:
            return time_us * 1000
    return Decimal(repr(float(time_s))) * SECOND


def _value(record: _Record, label: str, base_value: float, unit: str, target: _Target, number: int) -> float:
    """Return the value in the channel's unit. Raises Rejected."""
    if target.boolean:
        if label == "vb":
            return float(record["vb"])
        if label == "v" and unit == "/" and (total := float(base_value) + float(record["v"])) in (0.0, 1.0):
            return total  # a switch, RFC 8428, 12.1, note 1
        spot = place(f"[{number}]", label)
        raise Rejected("bad_value", f"{spot}: {target.channel} is true or false; send it as vb")
    if label != "v":
        spot = place(f"[{number}]", label)
        raise Rejected("bad_value", f"{spot}: {target.channel} is a number; send it as v")
    convert = target.units.get(unit or target.implied)
    if convert is None:
        said = f"unit {unit[:40]!r} does not fit {target.channel}" if unit else "no unit"
        spot = place(f"[{number}]", "u")
        raise Rejected("senml_unit", f"{spot}: {said}; send one of {', '.join(target.units)}")
    value = convert(float(base_value) + float(record["v"]))
    if not math.isfinite(value):
        spot = place(f"[{number}]", label)
        raise Rejected("bad_value", f"{spot}: {base_value} + {record['v']} is too large for its unit")
    return value
