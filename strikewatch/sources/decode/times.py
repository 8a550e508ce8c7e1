"""Decode the instants of a message: `time` (RFC 3339 with offset) or `time_ms` (integer Unix ms), and a step."""

from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any, Final

import numpy as np

from strikewatch.core import instant
from strikewatch.core.batch import Ints
from strikewatch.core.instant import EARLIEST, LATEST, SECOND, Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode.strict_json import place

TIME_KEYS: Final = frozenset({"time", "time_ms"})
MIN_STEP_S: Final = 1e-6
"""The finest grid: alert records carry microseconds."""


def of(fields: Mapping[str, Any], latest: Instant, where: str = "") -> Instant:
    """Return the instant of an object whose types are already checked.

    `latest`: times after it are rejected. Raises Rejected, with the place below `where`.
    """
    text = fields.get("time")
    if text is None:
        millis = fields.get("time_ms")
        if millis is None:
            raise Rejected("missing", f"{place(where, 'time')}: is missing; send time or time_ms")
        return within(millis * 1_000_000, latest, where, "time_ms")
    if "time_ms" in fields:
        raise Rejected("both_given", f"{place(where, 'time_ms')}: time is given already; send one of them")
    try:
        time = _parse(text)
    except (ValueError, OverflowError) as error:
        raise Rejected("bad_time", f"{place(where, 'time')}: {text[:40]!r}: {error}") from None
    return within(time, latest, where, "time")


def grid(fields: Mapping[str, Any], count: int, latest: Instant, where: str = "") -> Ints:
    """Return `count` instants from that of `fields` on, `step_s` apart: int64 [count].

    Instant i is first + i * step, rounded once to the nanosecond: the step is taken as the decimal number that was
    sent, so that neither 0.1 s nor a third of a second drifts. Raises Rejected.
    """
    first = of(fields, latest, where)
    step_s = fields.get("step_s")
    if step_s is None:
        raise Rejected("missing", f"{place(where, 'step_s')}: is missing; a block needs it, in seconds")
    if step_s < MIN_STEP_S:
        raise Rejected("bad_step", f"{place(where, 'step_s')}: {step_s} s; must be at least {MIN_STEP_S} s")
    numerator, denominator = _step_ns(step_s)
    within(first + (2 * (count - 1) * numerator + denominator) // (2 * denominator), latest, where, "step_s")
    if denominator == 1:
        return np.arange(first, first + count * numerator, numerator, dtype=np.int64)
    return np.array(
        [first + (2 * i * numerator + denominator) // (2 * denominator) for i in range(count)], np.int64
    )


def _parse(text: str) -> Instant:
    """Parse like `instant.parse`, faster for the usual form: the parsed minute is cached."""
    digits = text[17:19] + text[20:-1]
    if text[19:20] == "." and text[-1] == "Z" and len(digits) <= 11 and digits.isascii() and digits.isdigit():
        into_minute = int(digits.ljust(11, "0"))
        if len(digits) > 2 and into_minute < 60 * SECOND:
            return _minute(text[:17]) + into_minute
    return instant.parse(text)


@lru_cache(maxsize=1024)
def _minute(text: str) -> Instant:
    return instant.parse(text + "00Z")


@lru_cache(maxsize=256)
def _step_ns(step_s: float) -> tuple[int, int]:
    """Return a step as an exact fraction (numerator, denominator), ns."""
    return (Fraction(Decimal(repr(step_s))) * SECOND).as_integer_ratio()


def within(time: Instant, latest: Instant, where: str, key: str) -> Instant:
    """Return `time` if it is plausible. Raises Rejected."""
    if not EARLIEST <= time < LATEST:
        spot = place(where, key)
        raise Rejected("time_out_of_range", f"{spot}: outside the years 1970 to 2099; set the sender's clock")
    if time > latest:
        spot = place(where, key)
        raise Rejected(
            "clock_ahead", f"{spot}: {instant.text(time)} is ahead of the receiver; set the sender's clock"
        )
    return time
