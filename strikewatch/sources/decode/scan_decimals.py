"""Compiled: the float nearest to a decimal number, as `float` and every correct parser return it.

Sources: D. Lemire, Number parsing at a gigabyte per second, Software: Practice and Experience 51(8), 2021. That 19
digits never need another method: N. Mushtak and D. Lemire, Fast number parsing without fallback, likewise 53(7), 2023.
"""

import math
from typing import Any, Final

import numpy as np

from strikewatch.detectors.kernels import part

MAX_DIGITS: Final = 19
"""So many digits fit into 64 bits."""
_LEAST: Final = -342
_GREATEST: Final = 308
"""Powers of ten beyond which every number of 1 to 19 digits is 0 or infinite."""
_EXACT: Final = 1 << 53
_EXACT_POWERS: Final = 10.0 ** np.arange(23)
"""The powers of ten that a float holds exactly."""
_LOW_32: Final = np.uint64(0xFFFFFFFF)
_SHIFT_32: Final = np.uint64(32)
_ONE: Final = np.uint64(1)
_THREE: Final = np.uint64(3)
_UNSURE: Final = np.uint64(0x1FF)
"""The lowest bits of a product that is precise to 55 bits: where all are 1, a carry could reach those above."""


def _power_of_five(q: int) -> int:
    """Return the first 128 bits of 5**q, rounded down; of a fraction, rounded up."""
    five: int = 5 ** abs(q)
    if q < 0:
        bits = (five - 1).bit_length()
        five = (1 << (bits + 127 if q >= -27 else 2 * bits + 128)) // five + 1
    else:
        five <<= 128
    return five >> (five.bit_length() - 128)


_FIVES: Final = np.array(
    [
        [half for power in [_power_of_five(q)] for half in (power >> 64, power & 0xFFFFFFFFFFFFFFFF)]
        for q in range(_LEAST, _GREATEST + 1)
    ],
    np.uint64,
)


@part
def _product(a: Any, b: Any) -> tuple[Any, Any]:
    """Multiply two uint64; return the high and the low half."""
    a_high, a_low, b_high, b_low = a >> _SHIFT_32, a & _LOW_32, b >> _SHIFT_32, b & _LOW_32
    low, middle = a_low * b_low, a_high * b_low
    other = a_low * b_high + (low >> _SHIFT_32) + (middle & _LOW_32)
    high = a_high * b_high + (middle >> _SHIFT_32) + (other >> _SHIFT_32)
    return high, (other << _SHIFT_32) | (low & _LOW_32)


@part
def _leading_zeros(w: Any) -> int:
    """Return the number of leading zero bits of a uint64 that is not 0."""
    zeros = 0
    for step in (32, 16, 8, 4, 2, 1):
        if w >> np.uint64(64 - step) == 0:
            zeros += step
            w <<= np.uint64(step)
    return zeros


@part
def nearest_float(w: Any, q: int) -> float:
    """Return the float nearest to w * 10**q; infinity beyond the largest.

    `w`: uint64 of up to 19 decimal digits.
    """
    if w <= _EXACT and -22 <= q <= 22:
        return float(w) * _EXACT_POWERS[q] if q >= 0 else float(w) / _EXACT_POWERS[-q]  # type: ignore[no-any-return]
    if w == 0 or q < _LEAST:
        return 0.0
    if q > _GREATEST:
        return math.inf
    zeros = _leading_zeros(w)
    w <<= np.uint64(zeros)
    high, low = _product(w, _FIVES[q - _LEAST, 0])
    if high & _UNSURE == _UNSURE:
        more, _ = _product(w, _FIVES[q - _LEAST, 1])
        low += more
        if more > low:
            high += _ONE
    upper = int(high >> np.uint64(63))
    shift = np.uint64(upper + 9)
    mantissa = high >> shift  # 54 bits, of which the last one is for rounding
    exponent = ((217706 * q) >> 16) + 63 + upper - zeros + 1023
    if exponent <= 0:  # a subnormal number
        if exponent <= -63:
            return 0.0
        mantissa >>= np.uint64(1 - exponent)
        mantissa = (mantissa + (mantissa & _ONE)) >> _ONE
        return math.ldexp(float(mantissa), -1074)
    halfway = low <= _ONE and -4 <= q <= 23 and mantissa & _THREE == _ONE and mantissa << shift == high
    if halfway:  # to the even one, which is below
        mantissa -= _ONE
    mantissa = (mantissa + (mantissa & _ONE)) >> _ONE
    return math.inf if exponent >= 2047 else math.ldexp(float(mantissa), exponent - 1075)
