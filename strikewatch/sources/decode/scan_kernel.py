"""The compiled part of `scanner`: from the text of usual payloads to columns, without a Python object per value.

A value is rounded correctly. One with more digits than `decimals` takes is listed if the others could change it.

The text ends with zeros, and a zero follows each payload. No function accepts a zero, so none reads past its payload.
Each function of a token gets the position `at` of its first byte, and returns the position after it, or UNUSUAL.
"""

from typing import Any, Final

import numpy as np

from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.core.instant import LATEST, SECOND, Instant
from strikewatch.detectors.kernels import compiled, kernel, part
from strikewatch.sources.decode.decimals import MAX_DIGITS, nearest_float

UNUSUAL: Final = -1
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
_POWERS: Final = 10 ** np.arange(16)
_DAYS_BEFORE: Final = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30])
"""Days of a year before each month, without a leap day."""
_DAYS: Final = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
_MAX_WHOLE_DIGITS: Final = 15
_MAX_NUMBER: Final = 400
"""Longest number that is scanned, characters."""
_MAX_EXPONENT: Final = 10_000
_LARGEST: Final = 1e300
"""Larger values could become infinite when their unit is converted."""
MIN_UNSURE: Final = MAX_DIGITS + 1
"""Fewest characters of a number that is listed."""
COUNT: Final = 0
"""The row of `unsure` that holds the number of those after it."""
_MIN_STEP_NS: Final = 1000
_MAX_STEP_NS: Final = 3600 * SECOND
PADDING: Final = 64
"""Zeros after the last payload: more than any token that is read at fixed places."""

_SPACE, _TAB, _LINE_FEED, _RETURN = b" \t\n\r"
_QUOTE, _COLON, _COMMA, _MINUS, _PLUS, _POINT = b'":,-+.'
_E, _SMALL_E = b"Ee"
_OBJECT, _OBJECT_END, _ARRAY, _ARRAY_END = b"{}[]"
_ZERO, _NINE = b"09"
_T, _Z = b"TZ"
_NULL: Final = np.frombuffer(b"null", np.uint8)
_TRUE: Final = np.frombuffer(b"true", np.uint8)
_FALSE: Final = np.frombuffer(b"false", np.uint8)


@part
def _skip_space(text: Any, at: int) -> int:
    while text[at] == _SPACE or text[at] == _LINE_FEED or text[at] == _RETURN or text[at] == _TAB:
        at += 1
    return at


@part
def _word(text: Any, at: int, word: Any) -> int:
    """Scan a word like null."""
    for k in range(len(word)):
        if text[at + k] != word[k]:
            return UNUSUAL
    return at + len(word)


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
            at = _skip_space(text, start + size + 1)
            return (_skip_space(text, at + 1) if text[at] == _COLON else UNUSUAL), key
    return UNUSUAL, 0


@part
def _number(text: Any, at: int) -> tuple[int, int, int]:
    """Scan a number of few digits; return also these as a whole number, and how many of them are decimals."""
    negative = text[at] == _MINUS
    if negative:
        at += 1
    start = at
    whole = 0
    while _ZERO <= text[at] <= _NINE and at - start <= _MAX_WHOLE_DIGITS:
        whole = whole * 10 + (text[at] - _ZERO)
        at += 1
    digits = at - start
    if digits == 0 or (digits > 1 and text[start] == _ZERO):
        return UNUSUAL, 0, 0
    decimals = 0
    if text[at] == _POINT:
        at += 1
        start = at
        while _ZERO <= text[at] <= _NINE and at - start <= _MAX_WHOLE_DIGITS:
            whole = whole * 10 + (text[at] - _ZERO)
            at += 1
        decimals = at - start
        if decimals == 0:
            return UNUSUAL, 0, 0
    if digits + decimals > _MAX_WHOLE_DIGITS or (negative and whole == 0):
        return UNUSUAL, 0, 0
    return at, -whole if negative else whole, decimals


@part
def _digits(text: Any, at: int, count: int) -> int:
    """Return the value of exactly so many digits at `at`, or UNUSUAL."""
    value = 0
    for k in range(at, at + count):
        if not _ZERO <= text[k] <= _NINE:
            return UNUSUAL
        value = value * 10 + (text[k] - _ZERO)
    return value


@part
def _time(text: Any, at: int) -> tuple[int, Instant]:
    """Scan `"YYYY-MM-DDTHH:MM:SS[.fraction](Z|±HH:MM)"`; return also the instant."""
    year, month, day = _digits(text, at + 1, 4), _digits(text, at + 6, 2), _digits(text, at + 9, 2)
    hour, minute, second = _digits(text, at + 12, 2), _digits(text, at + 15, 2), _digits(text, at + 18, 2)
    if text[at] != _QUOTE or text[at + 5] != _MINUS or text[at + 8] != _MINUS or text[at + 11] != _T:
        return UNUSUAL, 0
    if text[at + 14] != _COLON or text[at + 17] != _COLON or not 1970 <= year < 2100 or not 1 <= month <= 12:
        return UNUSUAL, 0
    leap_day = year % 4 == 0  # of these years, 2000 is the only century, and a leap year
    if not 1 <= day <= _DAYS[month - 1] + (leap_day and month == 2):
        return UNUSUAL, 0
    if not (0 <= hour < 24 and 0 <= minute < 60 and 0 <= second < 60):
        return UNUSUAL, 0
    days = (year - 1970) * 365 + (year - 1969) // 4 + _DAYS_BEFORE[month - 1] + day - 1
    days += leap_day and month > 2
    at += 20
    nanoseconds = 0
    if text[at] == _POINT:
        start = at + 1
        at = start
        while _ZERO <= text[at] <= _NINE and at - start < 9:
            nanoseconds = nanoseconds * 10 + (text[at] - _ZERO)
            at += 1
        if at == start:
            return UNUSUAL, 0
        nanoseconds *= _POWERS[9 - (at - start)]
    at, offset_min = _offset(text, at)
    if at < 0 or text[at] != _QUOTE:
        return UNUSUAL, 0
    return at + 1, ((days * 24 + hour) * 3600 + (minute - offset_min) * 60 + second) * SECOND + nanoseconds


@part
def _offset(text: Any, at: int) -> tuple[int, int]:
    """Scan the offset of a time; return also its minutes."""
    if text[at] == _Z:
        return at + 1, 0
    if text[at] != _PLUS and text[at] != _MINUS:
        return UNUSUAL, 0
    hours, minutes = _digits(text, at + 1, 2), _digits(text, at + 4, 2)
    if not (0 <= hours < 24 and 0 <= minutes < 60) or text[at + 3] != _COLON:
        return UNUSUAL, 0
    offset_min = hours * 60 + minutes
    return at + 6, offset_min if text[at] == _PLUS else -offset_min


@part
def _milliseconds(text: Any, at: int) -> tuple[int, Instant]:
    """Scan whole Unix milliseconds; return also the instant."""
    at, whole, decimals = _number(text, at)
    if at < 0 or decimals or not 0 <= whole < LATEST // 1_000_000:
        return UNUSUAL, 0
    return at, whole * 1_000_000


@part
def _step(text: Any, at: int) -> tuple[int, int]:
    """Scan a step in seconds that is a whole number of nanoseconds; return also these."""
    at, whole, decimals = _number(text, at)
    if at < 0 or decimals > 9:
        return UNUSUAL, 0
    unit = _POWERS[9 - decimals]
    if not 0 <= whole <= _MAX_STEP_NS // unit or whole * unit < _MIN_STEP_NS:
        return UNUSUAL, 0
    return at, whole * unit


@part
def _exponent(text: Any, at: int) -> tuple[int, int]:
    """Scan the exponent of a number, if there is one; return also the exponent."""
    if text[at] != _E and text[at] != _SMALL_E:
        return at, 0
    at += 1
    negative = text[at] == _MINUS
    if negative or text[at] == _PLUS:
        at += 1
    start = at
    exponent = 0
    while _ZERO <= text[at] <= _NINE:
        exponent = min(exponent * 10 + (text[at] - _ZERO), _MAX_EXPONENT)
        at += 1
    return (at if at > start else UNUSUAL), -exponent if negative else exponent


@part
def _float(text: Any, at: int) -> tuple[int, float, bool]:
    """Scan a number; return also its value, and whether that is sure to be rounded correctly."""
    begin = at
    negative = text[at] == _MINUS
    if negative:
        at += 1
    start = at
    whole = np.uint64(0)
    digits, exponent = 0, 0  # digits taken, from the first that is not 0
    more = False  # whether other digits than 0 were left out
    while _ZERO <= text[at] <= _NINE:
        if digits < MAX_DIGITS:
            whole = whole * np.uint64(10) + np.uint64(text[at] - _ZERO)
            digits += whole != 0
        else:
            exponent += 1
            more = more or text[at] != _ZERO
        at += 1
    if at == start or (at - start > 1 and text[start] == _ZERO):
        return UNUSUAL, 0.0, False
    end = at
    if text[at] == _POINT:
        at += 1
        start = at
        while _ZERO <= text[at] <= _NINE:
            if digits < MAX_DIGITS:
                whole = whole * np.uint64(10) + np.uint64(text[at] - _ZERO)
                digits += whole != 0
                exponent -= 1
            else:
                more = more or text[at] != _ZERO
            at += 1
        if at == start:
            return UNUSUAL, 0.0, False
    at, power = _exponent(text, at)
    if at < 0 or at - begin > _MAX_NUMBER:
        return UNUSUAL, 0.0, False
    negative = negative and (digits > 0 or at > end)  # -0 is the integer 0, unlike -0.0
    value = nearest_float(whole, exponent + power)
    above = nearest_float(whole + np.uint64(1), exponent + power) if more else value
    if above > _LARGEST:
        return UNUSUAL, 0.0, False
    return at, -value if negative else value, above == value


@part
def _value(text: Any, at: int, key: int, row: int, cells: Any, unsure: Any) -> int:
    """Scan a value of a column into a row; list it if it may not be rounded correctly."""
    if text[at] == _NULL[0]:
        cells[key, row] = np.nan
        return _word(text, at, _NULL)
    if _BOOLEAN[key]:
        if text[at] == _TRUE[0]:
            cells[key, row] = 1.0
            return _word(text, at, _TRUE)
        cells[key, row] = 0.0
        return _word(text, at, _FALSE)
    end, cells[key, row], sure = _float(text, at)
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
        at = _value(text, _skip_space(text, at + 1), key, row + count, cells, unsure)
        if at < 0:
            return UNUSUAL, 0
        count += 1
        at = _skip_space(text, at)
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
        at, key = _key(text, _skip_space(text, at + 1))
        if at < 0:
            return UNUSUAL, 0, 0
        if key == _STEP_S:
            if step:
                return UNUSUAL, 0, 0
            at, step = _step(text, at)
        elif key >= COLUMNS:
            if time >= 0:
                return UNUSUAL, 0, 0
            at, time = _time(text, at) if key == _TIME else _milliseconds(text, at)
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
        at = _skip_space(text, at)
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
    at = _skip_space(text, at)
    is_array = text[at] == _ARRAY
    if is_array:
        at = _skip_space(text, at + 1)
    while True:
        if text[at] != _OBJECT:
            return UNUSUAL, 0, 0
        start = row
        at, row, columns = _object(text, at, start, latest, times, cells, unsure)
        if at < 0 or (start > payload_row and times[start] < times[start - 1]):
            return UNUSUAL, 0, 0
        known = _fill_gaps(cells, first, start, row, known, columns)
        at = _skip_space(text, at)
        if not is_array:
            return at, row, known
        if text[at] == _ARRAY_END:
            return _skip_space(text, at + 1), row, known
        if text[at] != _COMMA:
            return UNUSUAL, 0, 0
        at = _skip_space(text, at + 1)


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
