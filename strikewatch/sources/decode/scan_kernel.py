"""The compiled part of `scanner`: from the text of usual payloads to columns, without a Python object per value.

A value is rounded correctly. One with more digits than `scan_decimals` takes is listed if the others could change it.
The text is as in `scan_tokens`, and so are the positions `at`; a zero follows each payload.
"""

from typing import Any, Final

import numpy as np

from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.core.instant import Instant
from strikewatch.detectors.kernels import compiled, kernel, part
from strikewatch.sources.decode.scan_decimals import MAX_DIGITS
from strikewatch.sources.decode.scan_tokens import (
    UNUSUAL,
    scan_decimal,
    scan_milliseconds,
    scan_step,
    scan_time,
    scan_word,
    skip_space,
)

NAMES: Final = (*CHANNELS, *ALIASES)
"""The columns, by number."""
COLUMNS: Final = len(NAMES)
_TIME: Final = COLUMNS
_TIME_MS: Final = COLUMNS + 1
_STEP_S: Final = COLUMNS + 2
_KEYS: Final = [name.encode() for name in (*NAMES, "time", "time_ms", "step_s")]
_KEY_TEXT: Final = np.frombuffer(b"".join(_KEYS), np.uint8)
_KEY_STARTS: Final = np.cumsum([0, *map(len, _KEYS)])
_CHANNEL: Final = np.array([list(CHANNELS).index(ALIASES[n][0] if n in ALIASES else n) for n in NAMES])
"""The number of each column's channel; a column is a channel or an alias of one."""
_BOOLEAN: Final = np.array([name in CHANNELS and CHANNELS[name].boolean for name in NAMES])
MIN_UNSURE: Final = MAX_DIGITS + 1
"""Fewest characters of a number that is listed."""
COUNT: Final = 0
"""The row of `unsure` that holds the number of those after it."""

_QUOTE, _COLON, _COMMA = b'":,'
_OBJECT, _OBJECT_END, _ARRAY, _ARRAY_END = b"{}[]"
_NULL: Final = np.frombuffer(b"null", np.uint8)
_TRUE: Final = np.frombuffer(b"true", np.uint8)
_FALSE: Final = np.frombuffer(b"false", np.uint8)


@part
def _key(text: Any, at: int) -> tuple[int, int]:
    """Scan a known key in quotes and the colon after it; return also its number."""
    if text[at] != _QUOTE:
        return UNUSUAL, 0
    start = at + 1
    for key in range(len(_KEY_STARTS) - 1):
        size = _KEY_STARTS[key + 1] - _KEY_STARTS[key]
        k = 0
        while k < size and text[start + k] == _KEY_TEXT[_KEY_STARTS[key] + k]:
            k += 1
        if k == size and text[start + size] == _QUOTE:
            at = skip_space(text, start + size + 1)
            return (skip_space(text, at + 1) if text[at] == _COLON else UNUSUAL), key
    return UNUSUAL, 0


@part
def _value(text: Any, at: int, key: int, row: int, cells: Any, unsure: Any) -> int:
    """Scan a value of a column into a row; list it if it may not be rounded correctly."""
    if text[at] == _NULL[0]:
        cells[key, row] = np.nan
        return scan_word(text, at, _NULL)
    if _BOOLEAN[key]:
        if text[at] == _TRUE[0]:
            cells[key, row] = 1.0
            return scan_word(text, at, _TRUE)
        cells[key, row] = 0.0
        return scan_word(text, at, _FALSE)
    end, cells[key, row], sure = scan_decimal(text, at)
    if end >= 0 and not sure:
        unsure[COUNT, 0] += 1
        listed = unsure[unsure[COUNT, 0]]
        listed[0], listed[1], listed[2], listed[3] = key, row, at, end
    return end


@part
def _clear(cells: Any, key: int, start: int, end: int) -> None:
    for row in range(start, end):
        cells[key, row] = np.nan


@part
def _array(text: Any, at: int, key: int, row: int, cells: Any, unsure: Any) -> tuple[int, int]:
    """Scan an array of values into a column from `row` on; return also how many there are."""
    count = 0
    while True:
        if row + count >= cells.shape[1]:
            return UNUSUAL, 0
        at = _value(text, skip_space(text, at + 1), key, row + count, cells, unsure)
        if at < 0:
            return UNUSUAL, 0
        count += 1
        at = skip_space(text, at)
        if text[at] == _ARRAY_END:
            return at + 1, count
        if text[at] != _COMMA:
            return UNUSUAL, 0


@part
def _object(
    text: Any, at: int, row: int, latest: Instant, times: Any, cells: Any, unsure: Any
) -> tuple[int, int, int]:
    """Scan an object into the rows from `row` on; return also the row after them, and its columns as bits."""
    time = UNUSUAL
    step = 0
    length = 0  # of the arrays; 0: there is none
    columns, arrays, channels = 0, 0, 0  # as bits
    if row >= cells.shape[1]:
        return UNUSUAL, 0, 0
    while True:
        at, key = _key(text, skip_space(text, at + 1))
        if at < 0:
            return UNUSUAL, 0, 0
        if key == _STEP_S:
            if step:
                return UNUSUAL, 0, 0
            at, step = scan_step(text, at)
        elif key >= COLUMNS:
            if time >= 0:
                return UNUSUAL, 0, 0
            at, time = scan_time(text, at) if key == _TIME else scan_milliseconds(text, at)
        else:
            if channels >> _CHANNEL[key] & 1:
                return UNUSUAL, 0, 0
            channels |= 1 << _CHANNEL[key]
            columns |= 1 << key
            if text[at] == _ARRAY:
                arrays |= 1 << key
                at, count = _array(text, at, key, row, cells, unsure)
                if length and count != length:
                    return UNUSUAL, 0, 0
                length = count
            else:
                at = _value(text, at, key, row, cells, unsure)
        if at < 0:
            return UNUSUAL, 0, 0
        at = skip_space(text, at)
        if text[at] == _OBJECT_END:
            break
        if text[at] != _COMMA:
            return UNUSUAL, 0, 0
    end = row + max(length, 1)
    if time < 0 or time + (end - row - 1) * step > latest or (length and not step):
        return UNUSUAL, 0, 0
    for k in range(row, end):
        times[k] = time + (k - row) * step
    for key in range(COLUMNS):  # a value beside arrays belongs to the first row
        if columns >> key & 1 and not arrays >> key & 1:
            _clear(cells, key, row + 1, end)
    return at + 1, end, columns


@part
def _fill_gaps(cells: Any, first: int, row: int, end: int, known: int, columns: int) -> int:
    """Write NaN where the rows from `first` or those from `row` on lack a column of the others; return all columns."""
    for key in range(COLUMNS):
        if columns >> key & 1:
            if not known >> key & 1:
                _clear(cells, key, first, row)
        elif known >> key & 1:
            _clear(cells, key, row, end)
    return known | columns


@part
def _payload(
    text: Any,
    at: int,
    first: int,
    row: int,
    known: int,
    latest: Instant,
    times: Any,
    cells: Any,
    unsure: Any,
) -> tuple[int, int, int]:
    """Scan a payload into the rows from `row` on; return also the row after them, and the columns since `first`."""
    payload_row = row
    at = skip_space(text, at)
    is_array = text[at] == _ARRAY
    if is_array:
        at = skip_space(text, at + 1)
    while True:
        if text[at] != _OBJECT:
            return UNUSUAL, 0, 0
        start = row
        at, row, columns = _object(text, at, start, latest, times, cells, unsure)
        if at < 0 or (start > payload_row and times[start] < times[start - 1]):
            return UNUSUAL, 0, 0
        known = _fill_gaps(cells, first, start, row, known, columns)
        at = skip_space(text, at)
        if not is_array:
            return at, row, known
        if text[at] == _ARRAY_END:
            return skip_space(text, at + 1), row, known
        if text[at] != _COMMA:
            return UNUSUAL, 0, 0
        at = skip_space(text, at + 1)


@kernel
def scan_payloads(
    text: Any,
    ends: Any,
    begins: Any,
    latest: Any,
    rows: Any,
    known: Any,
    times: Any,
    cells: Any,
    unsure: Any,
) -> None:
    """Scan payloads, each before one of `ends` and its zero; `begins`: whether it is the first of a group.

    Writes for each the row after its last one, or UNUSUAL, and the columns of its group so far, which begin anew after
    an unusual payload. `unsure` gets the values that may not be rounded correctly, after their number: column, row, and
    where the text of each begins and ends.
    """
    zero: Any = np.int64(
        0
    )  # a plain 0 has a type of its own, for which numba would compile the parts once more
    at = row = first = columns = zero
    for k in range(len(ends)):
        if begins[k] or rows[k - 1] < 0:
            first, columns = row, zero
        listed = unsure[COUNT, 0]
        end, rows[k], found = _payload(text, at, first, row, columns, latest[k], times, cells, unsure)
        if end == ends[k]:
            row, columns = rows[k], found
        else:
            rows[k] = UNUSUAL
            unsure[COUNT, 0] = listed
        known[k] = columns
        at = ends[k] + 1


def compile_scanner() -> None:
    """Compile the scanner or load it from the cache, for the types that `Scanner` gives it and no others."""
    scan = compiled(scan_payloads)
    if not scan.signatures:
        none = np.empty(0, np.int64)
        text = np.frombuffer(b"\0", np.uint8)
        cells, unsure = np.empty((COLUMNS, 0)), np.zeros((1, 4), np.int64)
        scan(text, none, np.empty(0, bool), none, none, none, none, cells, unsure)
        scan.disable_compile()
