"""Times of logger files → instants, a whole column at a time.

Dates and times in columns of fixed width are read together; any other form is left to the reader that live sources
use, one distinct text at a time. A local time that occurs twice is placed by the order of the rows, across the parts
of a file and across the files of one log.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from strikewatch.core import instant
from strikewatch.core.batch import Ints
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import InputError, Rejected
from strikewatch.sources.logs.records import Cells, Column, Mask, Texts, as_cells
from strikewatch.sources.mapping.tables import TimeTable
from strikewatch.sources.mapping.times import NS_PER, TimeReader
from strikewatch.sources.recordings.times import NOT_THERE, LastLocal, located

_DAY_NS: Final = 86_400 * SECOND
_NO_TIME: Final = -1
_OFFSET: Final = re.compile(r"(?:[Zz]|[+-]\d\d(?::?\d\d)?)\s*$", re.ASCII)
_WIDTHS: Final = {"%Y": 4, "%m": 2, "%d": 2, "%H": 2, "%M": 2, "%S": 2}
_ISO_FORM: Final = "%Y-%m-%d %H:%M:%S.%f"
_NEAR: Final = 0


@dataclass(frozen=True, slots=True)
class ReadTimes:
    """Instants [n], -1 where there is none; `why` describes the first such row. `twice`: see `columns.Times`."""

    time_ns: Ints
    why: str = ""
    twice: int = 0

    @property
    def bad(self) -> Mask:
        return self.time_ns < 0


class LogClock:
    """Reads the times of one source. Keeps the place in the hour that occurs twice, so that files may follow."""

    def __init__(self, table: TimeTable) -> None:
        self._form = table.form
        self._since = table.since is not None
        self._counts_locally = table.counts_locally
        self._zone = ZoneInfo(table.zone) if table.zone else None
        # A text without an offset is read as if in UTC, and placed in the zone with the rows around it.
        self._reader = TimeReader(table.model_copy(update={"zone": "UTC"}) if table.zone else table)
        self._last = LastLocal()

    def column(self, parts: Sequence[Column]) -> ReadTimes:
        """Return the instants of a column of times, or of two that are date and clock."""
        if self._form in NS_PER and not self._counts_locally:
            counts = parts[0].integers() if isinstance(parts[0], Texts) else parts[0]
            if isinstance(counts, np.ndarray):
                return self._counts(counts)
        cells = as_cells(parts[0]) if len(parts) == 1 else _joined(parts)
        wall, local, problems = self._distinct(cells.values)
        time_ns = wall[cells.codes]
        bad = time_ns < 0
        why = ""
        if bad.any():
            k = int(cells.codes[int(bad.argmax())])
            why = problems.get(k, "is empty")
        if self._zone is None or not local.any():
            return ReadTimes(time_ns, why)
        found = located(np.where(bad, 0, time_ns), bad, local[cells.codes] & ~bad, self._zone, self._last)
        if not why and found.bad.any():
            shown = cells.values[int(cells.codes[int(found.bad.argmax())])]
            why = f"time {str(shown)!r} {NOT_THERE.format(zone=self._zone.key)}"
        return ReadTimes(np.where(found.bad, _NO_TIME, found.time_ns), why, found.twice)

    def start(self, wall_ns: int, place: str) -> Instant:
        """Return the instant of a start that a log gives on its own clock. Raises InputError if it is ambiguous."""
        if self._zone is None:
            raise InputError(
                f"{place}: its start is written on the logger's clock, which may be local time; name the zone in "
                'the source: time = { as = "log", zone = "Europe/Vienna" } (or "UTC")'
            )
        one = np.array([wall_ns], np.int64)
        found = located(one, np.zeros(1, bool), np.ones(1, bool), self._zone)
        written = instant.text(wall_ns)[:-1]
        if found.twice:
            raise InputError(
                f"{place}: starts at {written}, which occurs twice in {self._zone.key} as the clocks are put back; "
                "name the instant with --start, with its offset"
            )
        if found.bad[0]:
            raise InputError(
                f"{place}: starts at {written}, which {NOT_THERE.format(zone=self._zone.key)}; correct `zone`, or "
                "name the instant with --start"
            )
        return int(found.time_ns[0])

    def _counts(self, values: npt.NDArray[Any]) -> ReadTimes:
        """Convert numbers that count time."""
        per = NS_PER[self._form]
        if values.dtype.kind == "i" and not self._since:
            ok = (values >= 0) & (values < instant.LATEST // per)
            found = np.where(ok, values, 0) * per + np.where(ok, 0, _NO_TIME)
        elif values.dtype.kind == "f" and self._form in ("s", "ms") and not self._since:
            scaled = values * (per // 1000)  # to the microsecond, as `TimeReader` does
            ok = (scaled >= 0) & (scaled < instant.LATEST // 1000)
            time_ns = np.round(np.where(ok, scaled, 0.0)).astype(np.int64) * 1000
            found = np.where(ok, time_ns, _NO_TIME)
        else:
            found = np.array([self._one(value)[0] for value in values.tolist()], np.int64)
        bad = found < 0
        return ReadTimes(found, self._one(values[int(bad.argmax())].item())[1] if bad.any() else "")

    def _one(self, raw: Any) -> tuple[Instant, str]:
        """Return an instant, or -1 and why there is none."""
        if raw is None or raw != raw or (isinstance(raw, str) and not raw.strip()):
            return _NO_TIME, "time is empty"
        try:
            return self._reader.read(raw, _NEAR, instant.LATEST - 1), ""
        except Rejected as error:
            return _NO_TIME, error.detail

    def _distinct(self, values: Sequence[Any]) -> tuple[Ints, Mask, dict[int, str]]:
        """Return for each distinct cell its instant or wall-clock time, whether it is local, and what is wrong."""
        found = np.full(len(values), _NO_TIME, np.int64)
        local = np.zeros(len(values), bool)
        problems: dict[int, str] = {}
        rest = range(len(values))
        form = _ISO_FORM if self._form == "iso" else self._form
        if self._zone is not None and "%z" not in form:
            fast = _fixed_width(values, form)
            if fast is not None:
                found, local = fast, fast >= 0
                rest = np.flatnonzero(~local)  # type: ignore[assignment]
        for k in map(int, rest):
            raw = values[k]
            if isinstance(raw, datetime) and raw.tzinfo is None:
                found[k], local[k] = _wall(raw), True
                if self._zone is None:
                    found[k], problems[k] = _NO_TIME, "has no offset; name the clock's zone in `zone`"
                continue
            found[k], why = self._one(raw.item() if isinstance(raw, np.generic) else raw)
            if found[k] < 0:
                problems[k] = why
            elif self._form == "iso":
                local[k] = not _OFFSET.search(str(raw))
            else:
                local[k] = self._counts_locally or (self._form not in NS_PER and "%z" not in self._form)
        return found, local, problems


def _joined(parts: Sequence[Column]) -> Cells:
    """Join date and clock into one column."""
    if isinstance(parts[0], Texts) and isinstance(parts[1], Texts):
        return parts[0].joined(parts[1]).cells()
    days, clocks = map(as_cells, parts)
    pairs, codes = np.unique(days.codes * len(clocks.values) + clocks.codes, return_inverse=True)
    n = len(clocks.values)
    made = [_together(days.values[pair // n], clocks.values[pair % n]) for pair in pairs.tolist()]
    return Cells(made, codes.astype(np.int64))


def _together(day: Any, clock: Any) -> Any:
    """Return a date and a clock time as one datetime, or as one text; None if either is missing."""
    if day is None or clock is None:
        return None
    if isinstance(day, date) and isinstance(clock, time | timedelta | datetime):
        midnight = datetime(day.year, day.month, day.day)  # noqa: DTZ001  # the zone of the logger is added later
        if isinstance(clock, timedelta):
            return midnight + clock
        return datetime.combine(midnight, clock.time() if isinstance(clock, datetime) else clock)
    return f"{str(day).strip()} {str(clock).strip()}"


def _wall(at: datetime) -> int:
    passed = at - datetime(1970, 1, 1)  # noqa: DTZ001  # both on the logger's clock
    return (passed.days * 86_400 + passed.seconds) * SECOND + passed.microseconds * 1000


def _fixed_width(values: Sequence[Any], form: str) -> Ints | None:
    """Return texts of a form of fixed width as ns on their clock, -1 for others; None if the form is not of that kind.

    In place of ` ` a `T` may stand, in place of `.%f` also `,%f` or nothing.
    """
    fields = _fields(form)
    if fields is None or not all(value is None or isinstance(value, str) for value in values):
        return None
    try:
        texts = np.array([value or "" for value in values], "S40")
    except UnicodeEncodeError:
        return None
    table = np.ascontiguousarray(texts).view(np.uint8).reshape(len(values), 40)
    digits = table.astype(np.int64) - 48
    is_digit = (digits >= 0) & (digits <= 9)
    ok = np.ones(len(values), bool)
    parts: dict[str, Ints] = {}
    at = 0
    fraction = np.zeros(len(values), np.int64)
    for field in fields:
        if field == "%f":
            fraction, at_end = _fraction(table, digits, is_digit, at)
            ok &= at_end
            break
        width = _WIDTHS.get(field)
        if width is None:
            accepted = (32, 84) if field == " " else (ord(field),)
            ok &= np.isin(table[:, at], accepted)
            at += 1
            continue
        ok &= is_digit[:, at : at + width].all(axis=1)
        number = np.zeros(len(values), np.int64)
        for k in range(at, at + width):
            number = number * 10 + digits[:, k]
        parts[field] = number
        at += width
    else:
        ok &= table[:, at] == 0
    return _wall_ns(parts, fraction, ok)


def _fields(form: str) -> list[str] | None:
    """Return the fields and other characters of a form; None if it has a field of no fixed width."""
    found = re.findall(r"[.,]%f|%.|[\x20-\x7e]", form)
    if "".join(found) != form:
        return None
    fields = ["%f" if one in (".%f", ",%f") else one for one in found]
    if any(one.startswith("%") and one not in (*_WIDTHS, "%f") for one in fields):
        return None
    if set(_WIDTHS) - set(fields) or len(set(fields) & set(_WIDTHS)) != sum(one in _WIDTHS for one in fields):
        return None
    return fields if "%f" not in fields or fields[-1] == "%f" else None


def _fraction(table: npt.NDArray[np.uint8], digits: Ints, is_digit: Mask, at: int) -> tuple[Ints, Mask]:
    """Read the fraction of a second at a column of characters; return ns, and a mask of the texts that are valid.

    A valid text ends there, or has a point or comma and 1 to 9 digits, and then ends.
    """
    none = table[:, at] == 0
    going = np.isin(table[:, at], (ord(","), ord("."))) & is_digit[:, at + 1]
    found = np.zeros(len(table), np.int64)
    ok = none | going
    for k in range(9):
        column = at + 1 + k
        going = going & is_digit[:, column]
        found += np.where(going, digits[:, column] * 10 ** (8 - k), 0)
        ended = np.where(going, table[:, column + 1] == 0, False)
        going &= ~ended
        ok &= ended | going | none | (table[:, column] == 0)
    return found, ok & ~going


def _wall_ns(parts: dict[str, Ints], fraction: Ints, ok: Mask) -> Ints:
    year, month, day = parts["%Y"], parts["%m"], parts["%d"]
    hour, minute, second = parts["%H"], parts["%M"], parts["%S"]
    ok = ok & (year >= 1970) & (year < 2100) & (month >= 1) & (month <= 12) & (day >= 1)
    ok &= (hour < 24) & (minute < 60) & (second < 60)
    months = np.where(ok, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    days = months.astype("datetime64[D]").astype(np.int64) + np.where(ok, day - 1, 0)
    next_month = (months + 1).astype("datetime64[D]").astype(np.int64)
    ok &= days < next_month
    seconds = (days * 24 + hour) * 3600 + minute * 60 + second
    return np.where(ok, seconds * SECOND + fraction, _NO_TIME)
