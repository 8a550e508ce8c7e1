"""Decode samples in JSON: one instant, a block on an even grid, or an array of such objects.

An object may give with `hold_s` how long its values are held, for channels that the feed sends on change only. In such
a feed a null means that there is no value any more: with `null_ends_hold` it becomes `hold.NO_VALUE`.
"""

from collections.abc import Callable
from math import isfinite
from typing import Any, Final

import numpy as np
from pydantic_core import CoreSchema, SchemaValidator, ValidationError
from pydantic_core import core_schema as schema

from strikewatch.core.batch import Floats, Rows
from strikewatch.core.channels import ALIASES, CHANNELS, hold_column
from strikewatch.core.instant import Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import strict_json, times
from strikewatch.sources.hold import NO_VALUE, bound_error

_NUMBER: Final = schema.float_schema(strict=True, allow_inf_nan=False)
_BOOLEAN: Final = schema.bool_schema(strict=True)
KEYS: Final = (*sorted(times.TIME_KEYS), "step_s", "hold_s", *CHANNELS, *ALIASES)
"""The known keys of a samples object."""
MAX_UNKNOWN: Final = 100
"""Maximum number of unknown keys reported of one message."""
MAX_DETAILS: Final = 3
"""Maximum number of invalid objects of one array that are reported singly for each reason; others are counted."""
_KNOWN: Final = frozenset(KEYS)


def _cell(name: str) -> CoreSchema:
    boolean = name in CHANNELS and CHANNELS[name].boolean
    return schema.nullable_schema(_BOOLEAN if boolean else _NUMBER)


def _column(name: str) -> CoreSchema:
    cells = schema.list_schema(_cell(name), max_length=strict_json.MAX_ROWS, fail_fast=True, strict=True)
    return schema.union_schema([cells, _cell(name)], mode="left_to_right")


def _validator(values: dict[str, CoreSchema]) -> SchemaValidator:
    """Build the validator of a samples object; unknown keys are kept, to be reported."""
    fields = {
        "time": schema.str_schema(strict=True, max_length=64),
        "time_ms": schema.int_schema(strict=True),
        "step_s": _NUMBER,
        "hold_s": schema.dict_schema(schema.str_schema(strict=True), _NUMBER, strict=True),
        **values,
    }
    optional = {name: schema.typed_dict_field(value, required=False) for name, value in fields.items()}
    return SchemaValidator(schema.typed_dict_schema(optional, extra_behavior="allow", strict=True))


_NAMES: Final = (*CHANNELS, *ALIASES)
_INSTANT: Final = _validator({name: _cell(name) for name in _NAMES})
_BLOCK: Final = _validator({name: _column(name) for name in _NAMES})

Decoded = tuple[Rows, tuple[Rejected, ...], tuple[str, ...]]
"""The rows in the payload's order, the rejected objects, and the names of unknown keys."""


def decode_object(
    payload: bytes,
    latest: Instant,
    null_ends_hold: bool = False,
    max_keys: int = strict_json.MAX_KEYS,
) -> Decoded:
    """Decode one JSON object. `latest`: times after it are rejected. Raises Rejected."""
    strict_json.check_keys(payload, max_keys)
    try:
        fields = (_BLOCK if b"[" in payload else _INSTANT).validate_json(payload)
    except ValidationError as error:
        raise strict_json.rejected(error) from None
    values = _by_channel(fields, "")
    known = len(fields) == len(values) + 1 + ("step_s" in fields) + ("hold_s" in fields)
    quotation_marks = 2 * len(fields) + 2 * ("time" in fields)
    if not (known and payload.count(b'"') == quotation_marks) and not strict_json.is_plain(payload, [fields]):
        strict = strict_json.read_again(payload)
        for each in (strict, strict.get("hold_s") if isinstance(strict, dict) else None):
            if isinstance(each, Rejected):
                raise each
    values = _with_holds(fields, values, null_ends_hold, "")
    if list in map(type, values.values()):
        rows = _block(fields, values, latest, "")
    else:
        cells = np.array(list(values.values()), np.float64)
        columns = {name: cells[i : i + 1] for i, name in enumerate(values)}
        rows = Rows(np.array([times.of(fields, latest)], np.int64), columns)
    return rows, (), () if known else _unknown(fields)


def decode_array(
    objects: list[Any],
    payload: bytes,
    latest: Instant,
    null_ends_hold: bool = False,
    max_keys: int = strict_json.MAX_KEYS,
) -> Decoded:
    """Decode an array read from `payload`; invalid objects are left out and reported with their place.

    Of those, MAX_DETAILS are reported singly for each reason; the last of them also counts the others.
    """
    if len(objects) > strict_json.MAX_ROWS:
        raise Rejected("too_large", f"payload: {len(objects)} objects; at most {strict_json.MAX_ROWS} rows")
    if not strict_json.is_plain(payload, (each for each in objects if isinstance(each, dict))):
        objects = strict_json.read_again(payload)
    parts: list[Rows] = []
    builder = _RowBuilder()
    rejected = _RejectedObjects()
    unknown: dict[str, None] = {}
    count = 0
    for number, each in enumerate(objects):
        where = f"[{number}]"
        try:
            fields = _checked(each, where, max_keys)
            values = _with_holds(fields, _by_channel(fields, where), null_ends_hold, where)
            if list in map(type, values.values()):
                block = _block(fields, values, latest, where)
                parts += [builder.rows(), block]
                builder = _RowBuilder()
                count += len(block)
            else:
                builder.add(times.of(fields, latest, where), values)
                count += 1
        except (Rejected, ValidationError) as error:
            rejected.add(error, where)
        else:
            if len(unknown) < MAX_UNKNOWN and not fields.keys() <= _KNOWN:
                unknown.update(dict.fromkeys(_unknown(fields)))
        if count > strict_json.MAX_ROWS:
            raise Rejected("too_large", f"{where}: more than {strict_json.MAX_ROWS} rows in one payload")
    return Rows.join([*parts, builder.rows()]), rejected.all(), tuple(unknown)[:MAX_UNKNOWN]


class _RejectedObjects:
    """Collects the rejected objects of an array: a few of each reason, and a count of the others."""

    def __init__(self) -> None:
        self._by_reason: dict[str, list[Rejected]] = {}

    def add(self, error: Rejected | ValidationError, where: str) -> None:
        """Add an object. The detail of a validation error is costly and made only where it is kept."""
        reason = error.reason if isinstance(error, Rejected) else strict_json.reason_of(error)
        kept = self._by_reason.setdefault(reason, [])
        if len(kept) == MAX_DETAILS:
            kept[-1].count += 1
        else:
            kept.append(error if isinstance(error, Rejected) else strict_json.rejected(error, where))

    def all(self) -> tuple[Rejected, ...]:
        return tuple(error for kept in self._by_reason.values() for error in kept)


class _RowBuilder:
    """Collects single instants into columns."""

    def __init__(self) -> None:
        self._times: list[Instant] = []
        self._columns: dict[str, list[float | None]] = {}

    def add(self, time: Instant, values: dict[str, Any]) -> None:
        for name, value in values.items():
            column = self._columns.setdefault(name, [])
            column += [None] * (len(self._times) - len(column))
            column.append(value)
        self._times.append(time)

    def rows(self) -> Rows:
        count = len(self._times)
        columns = {
            name: np.array(column + [None] * (count - len(column)), np.float64)
            for name, column in self._columns.items()
        }
        return Rows(np.array(self._times, np.int64), columns)


def _checked(each: Any, where: str, max_keys: int) -> dict[str, Any]:
    """Return the validated fields of an object. Raises Rejected or ValidationError."""
    if isinstance(each, Rejected):
        raise Rejected(each.reason, f"{where}.{each.detail}")
    if not isinstance(each, dict):
        raise Rejected("shape", f"{where}: must be a JSON object")
    strict_json.check_key_count(each, max_keys, where)
    fields: dict[str, Any] = (_BLOCK if "step_s" in each else _INSTANT).validate_python(each)
    return fields


def _unknown(fields: dict[str, Any]) -> tuple[str, ...]:
    return tuple(name[:80] for name in fields if name not in _KNOWN)[:MAX_UNKNOWN]


def _by_channel(fields: dict[str, Any], where: str) -> dict[str, Any]:
    """Return the values by channel, converted to its unit."""
    values: dict[str, Any] = {}
    for name, value in fields.items():
        if name in CHANNELS:
            channel = name
        elif name in ALIASES:
            channel, convert = ALIASES[name]
            spot = strict_json.place(where, name)
            if isinstance(value, list):
                value = [_converted(each, convert, spot, k) for k, each in enumerate(value)]
            else:
                value = _converted(value, convert, spot)
        else:
            continue
        if channel in values:
            spot = strict_json.place(where, name)
            raise Rejected("both_given", f"{spot}: {channel} is given already; send one of them")
        values[channel] = value
    return values


def _converted(
    value: float | None, convert: Callable[[float], float], spot: str, *index: int
) -> float | None:
    """Convert a value to the channel's unit. Raises Rejected where the result is too large for a number."""
    if value is None:
        return None
    converted = convert(value)
    if not isfinite(converted):
        raise Rejected("bad_value", f"{strict_json.place(spot, *index)}: {value} is too large for its unit")
    return converted


def _with_holds(
    fields: dict[str, Any], values: dict[str, Any], null_ends_hold: bool, where: str
) -> dict[str, Any]:
    """Add hold columns and mark nulls, where channels are sent on change only."""
    bounds = fields.get("hold_s")
    if bounds is None and not null_ends_hold:
        return values
    marked = {
        name: [NO_VALUE if each is None else each for each in value]
        if isinstance(value, list)
        else NO_VALUE
        if value is None
        else value
        for name, value in values.items()
    }
    for name, hold_s in (bounds or {}).items():
        channel = ALIASES[name][0] if name in ALIASES else name
        if error := bound_error(channel, hold_s):
            raise Rejected("bad_value", f"{strict_json.place(where, 'hold_s', name)}: {error}")
        if channel in values:
            marked[hold_column(channel)] = hold_s
    return marked


def _block(fields: dict[str, Any], values: dict[str, Any], latest: Instant, where: str) -> Rows:
    """Build the rows of a block on an even grid; a scalar belongs to the first instant."""
    lengths = {name: len(value) for name, value in values.items() if isinstance(value, list)}
    count = next(iter(lengths.values()), 1)
    for name, length in lengths.items():
        if length != count or length == 0:
            spot = strict_json.place(where, name)
            raise Rejected(
                "lengths", f"{spot}: {length} values; all arrays must have one length, and at least 1"
            )
    columns: dict[str, Floats] = {}
    for name, value in values.items():
        if isinstance(value, list):
            columns[name] = np.array(value, np.float64)
        elif name not in CHANNELS:
            columns[name] = np.full(count, value)
        else:
            columns[name] = np.full(count, np.nan)
            if value is not None:
                columns[name][0] = value
    return Rows(times.grid(fields, count, latest, where), columns)
