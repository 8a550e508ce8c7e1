"""Convert the `time` column of a table to instants; times without an offset are local to a zone that is given."""

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types

from strikewatch.core import instant
from strikewatch.core.batch import Ints
from strikewatch.core.instant import SECOND
from strikewatch.errors import InputError
from strikewatch.sources.recordings.columns import Bools, int64, is_text, plain

NS_PER_UNIT: Final = {"s": SECOND, "ms": 1_000_000, "us": 1_000, "ns": 1}
NO_OFFSET: Final = "has no offset from UTC; name its zone with --zone, such as --zone Europe/Vienna"
NOT_THERE: Final = "does not exist in {zone}: the clock was put forward over it"

_IN_UTC: Final = r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(\.\d{1,9})?Z$"
_LOCAL: Final = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?", re.ASCII)
_BIN_NS: Final = 900 * SECOND
"""Clocks change at whole quarters of an hour."""
_BACK_NS: Final = 600 * SECOND
"""A step back by more than this, in the hour that occurs twice, is the change of the clock."""


@dataclass(frozen=True, slots=True)
class Times:
    """Instants [n] int64 ns, and a mask [n] of rows without a usable one.

    `assumed`: rows without an offset that were taken as UTC; `local`: those read in the zone; `twice`: those in the
    hour that occurs twice.
    """

    time_ns: Ints
    bad: Bools
    assumed: int = 0
    local: int = 0
    twice: int = 0


def times(column: Any, zone: ZoneInfo | None, place: str, last: "LastLocal | None" = None) -> Times:
    """Read a `time` column; `last`: see `located`. Raises InputError if its type cannot hold times."""
    column = plain(column)
    kind = column.type
    if pa.types.is_null(kind):
        return Times(np.zeros(len(column), np.int64), np.ones(len(column), bool))
    if is_text(kind):
        return _text_times(column, zone, last)
    if not pa.types.is_timestamp(kind):
        raise InputError(
            f"{place}: column `time` holds {kind}; write timestamps in UTC (or RFC 3339 text in CSV)"
        )
    factor = NS_PER_UNIT[kind.unit]
    whole = int64(column, null=-1)
    bad = _out_of_range(whole, instant.LATEST // factor)
    time_ns = whole if factor == 1 else np.where(bad, 0, whole) * factor
    if kind.tz is not None:
        return Times(time_ns, bad)
    if zone is None:
        return Times(time_ns, bad, assumed=len(column) - int(np.count_nonzero(bad)))
    return located(np.where(bad, 0, time_ns), bad, ~bad, zone, last)


def _out_of_range(whole: Ints, latest: int) -> Bools:
    """Return a mask [n] of times before the first usable instant, or at `latest` or after."""
    if not len(whole) or (whole.min() >= instant.EARLIEST and whole.max() < latest):
        return np.zeros(len(whole), bool)
    return (whole < instant.EARLIEST) | (whole >= latest)


def why_unusable(value: Any, zone: ZoneInfo | None) -> str:
    """Return what is wrong with a value in the `time` column."""
    if value is None:
        return "is empty"
    if isinstance(value, str):
        text = value.strip()
        local = bool(_LOCAL.fullmatch(text))
        if local and zone is None:
            return NO_OFFSET
        try:
            at = instant.parse(text + "Z" if local else text)
        except (ValueError, OverflowError) as error:
            said = str(error)
            if said.startswith("not "):
                return f"is {said}"
            return said if said.startswith(("second", "offset")) else f"is not a date and time ({said})"
        if local and zone is not None and instant.EARLIEST <= at < instant.LATEST:
            return NOT_THERE.format(zone=zone.key)
    elif zone is not None:
        return NOT_THERE.format(zone=zone.key)
    return "is not between the years 1970 and 2100"


def local_instant(text: str, zone: ZoneInfo) -> str:
    """Convert a local time to RFC 3339 with its offset; return other text unchanged."""
    if not _LOCAL.fullmatch(text.strip()):
        return text
    try:
        naive = datetime.fromisoformat(text.strip()[:19])
    except ValueError:
        return text
    offset = int((naive.replace(tzinfo=zone).utcoffset() or naive - naive).total_seconds() // 60)
    sign = "-" if offset < 0 else "+"
    return f"{text.strip()}{sign}{abs(offset) // 60:02d}:{abs(offset) % 60:02d}"


def _text_times(column: Any, zone: ZoneInfo | None, last: "LastLocal | None") -> Times:
    """Read RFC 3339 text: the usual form in bulk, other forms and invalid texts one by one."""
    n = len(column)
    import pyarrow.compute as pc  # type: ignore[import-untyped]  # ships no types

    if not column.null_count and pc.all(pc.match_substring_regex(column, _IN_UTC)).as_py() is not False:
        try:
            whole = int64(column.cast(pa.timestamp("ns", "UTC")), null=-1)
        except pa.ArrowInvalid:
            pass  # an impossible date among them: find it below
        else:
            return Times(whole, _out_of_range(whole, instant.LATEST))
    found, bad, local = np.zeros(n, np.int64), np.zeros(n, bool), np.zeros(n, bool)
    for i, text in enumerate(column.to_pylist()):
        text = (text or "").strip()
        local[i] = zone is not None and _LOCAL.fullmatch(text) is not None
        try:
            found[i] = at = instant.parse(text + "Z" if local[i] else text)
            bad[i] = not instant.EARLIEST <= at < instant.LATEST
        except (ValueError, OverflowError):
            bad[i] = True
    local &= ~bad
    return located(found, bad, local, zone, last) if zone is not None and local.any() else Times(found, bad)


@dataclass(slots=True)
class LastLocal:
    """The last local row of a part of a table, with which the next part goes on."""

    wall_ns: int = 0
    twice: bool = False
    """It lies in the hour that occurs twice,"""
    again: bool = False
    """and in its second occurrence."""


def located(wall_ns: Ints, bad: Bools, local: Bools, zone: ZoneInfo, last: LastLocal | None = None) -> Times:
    """Convert wall-clock times [n] of a zone, where `local`, to instants.

    A time that does not exist is bad. In the hour that occurs twice, the order of the rows decides: its first
    occurrence until they step back, then its second. `last`: of the part before, replaced by that of this one.
    """
    last = last or LastLocal()
    bins, which = np.unique(wall_ns // _BIN_NS, return_inverse=True)
    first, second = (
        np.array([_offset(zone, int(number), fold) for number in bins], np.int64) for fold in (0, 1)
    )
    early, late = first[which], second[which]
    missing = local & (early < late)  # PEP 495: in a gap the offset of fold 0 is the smaller
    twice = local & (early > late)
    offset = early
    places = np.flatnonzero(local)
    if twice.any():
        again = _second_occurrence(wall_ns[places], twice[places], last)
        offset = offset.copy()
        offset[places[again]] = late[places[again]]
        last.again = bool(again[-1])
    if len(places):
        last.wall_ns, last.twice = int(wall_ns[places[-1]]), bool(twice[places[-1]])
        last.again &= last.twice
    time_ns = np.where(local, wall_ns - offset, wall_ns)
    wrong = bad | missing | (local & ((time_ns < instant.EARLIEST) | (time_ns >= instant.LATEST)))
    return Times(np.where(wrong, 0, time_ns), wrong, local=int(local.sum()), twice=int(twice.sum()))


def _second_occurrence(wall_ns: Ints, twice: Bools, last: LastLocal) -> Bools:
    """Return a mask [n] of the rows in the second occurrence of the hour that occurs twice."""
    wall_ns, twice = np.r_[last.wall_ns, wall_ns], np.r_[last.twice, twice]
    again = np.zeros(len(wall_ns), bool)
    stepped = np.zeros(len(wall_ns), bool)
    stepped[1:] = (np.diff(wall_ns) < -_BACK_NS) & twice[:-1] & twice[1:]
    # for each run of rows in that hour: from the first step back on
    starts = np.flatnonzero(twice & ~np.r_[False, twice[:-1]])
    ends = np.flatnonzero(twice & ~np.r_[twice[1:], False]) + 1
    for begin, end in zip(starts.tolist(), ends.tolist(), strict=True):
        back = np.flatnonzero(stepped[begin:end])
        if last.again and begin == 0:
            again[begin:end] = True
        elif len(back):
            again[begin + int(back[0]) : end] = True
    return again[1:]


@cache
def _offset(zone: ZoneInfo, bin_number: int, fold: int) -> int:
    """Return the offset from UTC of a quarter of an hour on the wall clock, ns."""
    wall = datetime.fromtimestamp(bin_number * 900, UTC).replace(tzinfo=zone, fold=fold)
    return round((wall.utcoffset() or wall - wall).total_seconds()) * SECOND
