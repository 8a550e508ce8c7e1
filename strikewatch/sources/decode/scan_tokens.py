"""Compiled: the tokens of the usual payloads.

Each function gets the position `at` of a token's first byte, and returns the position after it, or UNUSUAL. The text
ends with PADDING zeros. No function accepts a zero, so none reads past its payload.
"""

from typing import Any, Final

import numpy as np

from strikewatch.core.instant import LATEST, SECOND, Instant
from strikewatch.detectors.kernels import part
from strikewatch.sources.decode.scan_decimals import MAX_DIGITS, nearest_float

UNUSUAL: Final = -1
PADDING: Final = 64
"""Zeros after the last payload: more than any token that is read at fixed places."""
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
_MIN_STEP_NS: Final = 1000
_MAX_STEP_NS: Final = 3600 * SECOND

_SPACE, _TAB, _LINE_FEED, _RETURN = b" \t\n\r"
_QUOTE, _COLON, _MINUS, _PLUS, _POINT = b'":-+.'
_E, _SMALL_E = b"Ee"
_ZERO, _NINE = b"09"
_T, _Z = b"TZ"


@part
def skip_space(text: Any, at: int) -> int:
    while text[at] == _SPACE or text[at] == _LINE_FEED or text[at] == _RETURN or text[at] == _TAB:
        at += 1
    return at


@part
def scan_word(text: Any, at: int, word: Any) -> int:
    """Scan a word like null."""
    for k in range(len(word)):
        if text[at + k] != word[k]:
            return UNUSUAL
    return at + len(word)


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
def scan_time(text: Any, at: int) -> tuple[int, Instant]:
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
def scan_milliseconds(text: Any, at: int) -> tuple[int, Instant]:
    """Scan whole Unix milliseconds; return also the instant."""
    at, whole, decimals = _number(text, at)
    if at < 0 or decimals or not 0 <= whole < LATEST // 1_000_000:
        return UNUSUAL, 0
    return at, whole * 1_000_000


@part
def scan_step(text: Any, at: int) -> tuple[int, int]:
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
def scan_decimal(text: Any, at: int) -> tuple[int, float, bool]:
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
