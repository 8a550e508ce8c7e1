"""Convert the cells of a table to numbers. An unreadable cell is dropped, never its row."""

import re
from collections.abc import Callable
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.compute as pc  # type: ignore[import-untyped]  # ships no types

from strikewatch.core.batch import Floats
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
    if pa.types.is_boolean(kind):
        column = column.cast(pa.uint8())
    elif is_text(kind) and (as_text or boolean):
        return _of_text(column, boolean, decimal_comma)
    elif not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)):
        raise InputError(
            f"{place}: column `{name}` holds {kind}; write numbers (true or false for a yes-or-no channel)"
        )
    return np.ascontiguousarray(column.cast(pa.float64(), safe=False).to_numpy(), np.float64), None


def remedy(boolean: bool) -> str:
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


def _of_text(column: Any, boolean: bool, decimal_comma: bool) -> tuple[Floats, Bools | None]:
    if not boolean:
        try:
            return np.asarray(column.cast(pa.float64()).to_numpy(), np.float64), None
        except pa.ArrowInvalid:
            pass  # some are not numbers: find them below
    # Each distinct text is read once; a column has few of them.
    read: Callable[[str], float | None] = _WORDS.get if boolean else _number(decimal_comma)
    encoded = pc.dictionary_encode(column)
    if isinstance(encoded, pa.ChunkedArray):
        encoded = encoded.combine_chunks()
        if isinstance(encoded, pa.ChunkedArray):
            encoded = (
                encoded.chunk(0) if encoded.num_chunks else pa.array([], pa.string()).dictionary_encode()
            )
    texts = [str(text).strip().lower() for text in encoded.dictionary.to_pylist()]
    found = [np.nan if text in NOT_SAMPLED else read(text) for text in texts]
    values = np.array([np.nan if one is None else one for one in found] + [np.nan])
    unreadable = np.array([one is None for one in found] + [False])
    codes = pc.fill_null(encoded.indices.cast(pa.int64()), len(found)).to_numpy(zero_copy_only=False)
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
