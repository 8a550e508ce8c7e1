"""Convert the columns of a table to numbers. An unreadable cell is dropped, never its row."""

import re
from collections.abc import Callable
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types

from strikewatch.core.batch import Floats, Ints
from strikewatch.errors import InputError

Bools = npt.NDArray[np.bool_]

NOT_SAMPLED: Final = frozenset(
    ("", "-", "--", "—", "n/a", "#n/a", "na", "n.a.", "nan", "null", "none", "nil", "missing")
)
"""Texts, in lower case, that loggers and spreadsheets write for a missing value."""

_WORDS: Final = {
    **dict.fromkeys(("true", "t", "yes", "y", "on", "1", "1.0", "1,0"), 1.0),
    **dict.fromkeys(("false", "f", "no", "n", "off", "0", "0.0", "0,0"), 0.0),
}
_DECIMAL_COMMA: Final = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?")


def floats(
    column: Any, name: str, *, boolean: bool, as_text: bool, decimal_comma: bool, place: str
) -> tuple[Floats, Bools | None]:
    """Return values [n] float64, NaN where not sampled, and a mask [n] of unreadable cells (None: there are none).

    Raises InputError if the type of the column cannot hold values.
    """
    column = plain(column)
    kind = column.type
    if pa.types.is_null(kind):
        return np.full(len(column), np.nan), None
    if kind == pa.float64() or pa.types.is_boolean(kind):
        return float64(column), None
    if is_text(kind) and (as_text or boolean):
        return _text_cells(column, boolean, decimal_comma)
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)):
        raise InputError(
            f"{place}: column `{name}` holds {kind}; write numbers (true or false for a yes-or-no channel)"
        )
    return float64(column.cast(pa.float64(), safe=False)), None


# Arrow's own conversions to numpy import pandas, which takes longer than most replays; so its buffers are read here.


def one_array(column: Any) -> Any:
    """Return a column of a table as one Arrow array."""
    if not isinstance(column, pa.ChunkedArray):
        return column
    if column.num_chunks == 1:
        return column.chunk(0)
    return pa.concat_arrays(column.chunks) if column.num_chunks else pa.array([], column.type)


def int64(column: Any, null: int) -> Ints:
    """Return a column of integers or timestamps as int64 [n], with `null` where a value is missing."""
    array = one_array(column)
    if pa.types.is_integer(array.type) and array.type != pa.int64():
        array = array.cast(pa.int64())
    if not len(array):
        return np.empty(0, np.int64)
    values = np.frombuffer(array.buffers()[1], np.int64, len(array), 8 * array.offset)
    return values if (valid := _valid(array)) is None else np.where(valid, values, np.int64(null))


def float64(column: Any) -> Floats:
    """Return a column of type float64 or bool as float64 [n], with NaN where a value is missing."""
    array = one_array(column)
    n = len(array)
    if not n:
        return np.empty(0)
    valid = _valid(array)
    if pa.types.is_boolean(array.type):
        values: Any = _bits(array.buffers()[1], array.offset, n)
    else:
        values = np.frombuffer(array.buffers()[1], np.float64, n, 8 * array.offset)
        if valid is None:
            return values  # type: ignore[no-any-return]
    # Arrow keeps freed memory for the next part. That of numpy goes back to the system, and to get it again costs more
    # than everything else here.
    found = np.frombuffer(pa.allocate_buffer(8 * n), np.float64)
    if valid is None:
        np.copyto(found, values)
    else:
        found.fill(np.nan)
        np.copyto(found, values, where=valid)
    return found


def _valid(array: Any) -> Bools | None:
    """Return a mask [n] of the values that are not missing; None if none is."""
    if not array.null_count:
        return None
    return _bits(array.buffers()[0], array.offset, len(array)).view(np.bool_)


def _bits(buffer: Any, offset: int, n: int) -> npt.NDArray[np.uint8]:
    """Return n bits of a buffer as bytes, 0 or 1."""
    first = offset // 8
    packed = np.frombuffer(buffer, np.uint8, (offset + n + 7) // 8 - first, first)
    return np.unpackbits(packed, count=offset - 8 * first + n, bitorder="little")[offset - 8 * first :]


def cell_remedy(boolean: bool) -> str:
    """Return what to write in a cell of a channel."""
    return (
        "write true or false (yes/no, on/off and 1/0 are read too), or leave it empty"
        if boolean
        else "write a number, or leave the cell empty where nothing was sampled"
    )


def plain(column: Any) -> Any:
    """Return the column without dictionary encoding."""
    return column.cast(column.type.value_type) if pa.types.is_dictionary(column.type) else column


def is_text(kind: Any) -> bool:
    """Tell whether a column type is text."""
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind))


def _text_cells(column: Any, boolean: bool, decimal_comma: bool) -> tuple[Floats, Bools | None]:
    if not boolean:
        try:
            return float64(column.cast(pa.float64())), None
        except pa.ArrowInvalid:
            pass  # some are not numbers: find them below
    # Each distinct text is read once; a column has few of them.
    read: Callable[[str], float | None] = _WORDS.get if boolean else _number(decimal_comma)
    encoded = one_array(column).dictionary_encode()
    texts = [str(text).strip().lower() for text in encoded.dictionary.to_pylist()]
    found = [np.nan if text in NOT_SAMPLED else read(text) for text in texts]
    values = np.array([np.nan if value is None else value for value in found] + [np.nan])
    unreadable = np.array([value is None for value in found] + [False])
    codes = int64(encoded.indices, null=len(found))
    bad = unreadable[codes]
    return values[codes], bad if bad.any() else None


def _number(decimal_comma: bool) -> Callable[[str], float | None]:
    def read(text: str) -> float | None:
        if decimal_comma and _DECIMAL_COMMA.fullmatch(text):
            text = text.replace(",", ".")
        try:
            return float(text) if "_" not in text else None
        except ValueError:
            return None

    return read
