"""Times as gateways and loggers send them: numbers since 1970 or another instant, ISO texts, patterns with a zone.

A reader converts one time (`read`) or a whole column (`column`), with the same result.
"""

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from strikewatch.core import instant
from strikewatch.core.batch import Ints
from strikewatch.core.instant import EARLIEST, LATEST, SECOND, Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import times
from strikewatch.sources.mapping.paths import MISSING
from strikewatch.sources.mapping.values import Mistakes, shown

if TYPE_CHECKING:
    from strikewatch.sources.mapping.tables import StepTable, TimeTable

NS_PER: Final = {"s": SECOND, "ms": 1_000_000, "us": 1_000, "ns": 1}
"""Units of a number that counts time, and their length, ns."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_ISO: Final = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:\d\d)(?:[.,](\d{1,9})\d*)?\s?(Z|z|[+-]\d\d:?\d\d|[+-]\d\d)?", re.ASCII
)
_FRACTION: Final = re.compile(r"(?<=\d[.,])\d+(?!\d)", re.ASCII)
_MAX_LENGTH: Final = 64
_PLAUSIBLE: Final = 1_262_304_000 * SECOND
"""2010-01-01: a count that gives an instant from here on is probably in this unit."""
_EXACT: Final = 1e15
"""Floats below this have steps of at most 1/8."""
_DISORDER: Final = 600 * SECOND
"""How far rows of a file may be out of order."""
_LARGEST: Final = Decimal(10) ** 19


class TimeReader:
    """Reads the times of one source."""

    def __init__(self, table: "TimeTable") -> None:
        self.form: Final = table.form
        self._since = 0
        if isinstance(table.since, str):
            self._since = instant.parse(f"{table.since}Z" if table.counts_locally else table.since)
        self._locally = table.counts_locally
        self._zone = ZoneInfo(table.zone) if table.zone else None
        self._after: Instant | None = None  # local times that occur twice are meant after this
        self.place = table.at if isinstance(table.at, str) else " ".join(table.at or ("time",))

    def read(self, raw: Any, near: Instant, latest: Instant, since: Instant = 0) -> Instant:
        """Return the instant that a value stands for. Raises Rejected, with the place.

        `near`: where the clocks were set back, a local time occurs twice, and the one nearer to this is meant.
        `latest`: times after it are refused. `since`: from when a count counts, if that is sent.
        """
        per = NS_PER.get(self.form)
        if per is None:
            time = self._text(raw, near)
        else:
            time = (since or self._since) + self._count(raw, per)
            if self._locally:
                time = self._local_count(time, raw, near)
        if EARLIEST <= time < LATEST and time <= latest:
            return time
        try:
            return times.within(time, latest, "", self.place)
        except Rejected as error:
            raise Rejected(error.reason, error.detail + self._hint(raw, per, since or self._since)) from None

    def column(
        self, values: Sequence[Any] | npt.NDArray[Any], near: Instant, latest: Instant
    ) -> tuple[Ints, list[Rejected]]:
        """Return the instants of a column: int64 [n], -1 where a time is bad, and the bad ones.

        `near` counts for the first; each later local time that occurs twice is the one after its predecessor.
        """
        mistakes = Mistakes()
        found = np.full(len(values), -1, np.int64)
        known: dict[Any, Instant] = {}
        for k, raw in enumerate(values.tolist() if isinstance(values, np.ndarray) else values):
            try:
                time = known.get(raw) if type(raw) is str else None
                if time is None:
                    self._after = near - _DISORDER if k else None
                    time = self.read(raw, near, latest)
                    if type(raw) is str and len(known) < 100_000 and self._zone is None:
                        known[raw] = time
                found[k] = near = time
            except Rejected as error:
                mistakes.add(Rejected(error.reason, f"[{k}]: {error.detail}"))
        self._after = None
        return found, mistakes.all()

    def _count(self, raw: Any, per: int) -> int:
        """Return how many ns a count of units is."""
        if type(raw) is int and raw.bit_length() < 128:
            return raw * per
        if type(raw) is float and per >= 1_000_000 and -1e13 < raw < 1e13:
            scaled = raw * (per // 1000)
            if -_EXACT * 8 < scaled < _EXACT * 8:
                return round(scaled) * 1000  # a float of today's seconds resolves no finer than 0.24 us
        value = _decimal(raw)
        if value is not None:
            return int((value * per).to_integral_value())
        raise self._bad(raw, f"is not a number of {self.form}; see `as`")

    def _text(self, raw: Any, near: Instant) -> Instant:
        if isinstance(raw, datetime):  # as spreadsheets give it
            return _instant(raw) if raw.tzinfo else self._local(raw, raw, near)
        if type(raw) is not str or len(raw) > _MAX_LENGTH:
            raise self._bad(raw, "is not a text; see `as`")
        text = raw.strip()
        try:
            if self.form == "iso":
                return self._iso(text, raw, near)
            nanos = 0
            form = self.form
            if "%f" in form and (fraction := _FRACTION.search(text)) and len(fraction[0]) > 6:
                nanos = int(fraction[0][6:9].ljust(3, "0"))  # strptime reads six digits
                text = text[: fraction.start() + 6] + text[fraction.end() :]
            try:
                moment = datetime.strptime(text, form)  # noqa: DTZ007  # the zone is added below
            except ValueError:
                raise ValueError(f"does not match the pattern {form!r}") from None
            return (_instant(moment) if moment.tzinfo else self._local(moment, raw, near)) + nanos
        except (ValueError, OverflowError) as error:
            raise self._bad(raw, str(error)) from None

    def _iso(self, text: str, raw: Any, near: Instant) -> Instant:
        found = _ISO.fullmatch(text)
        if not found:
            raise self._bad(raw, "is not a time like 2026-03-04T07:15:00.100Z; see `as`")
        day, clock, fraction, offset = found.groups()
        nanos = int((fraction or "").ljust(9, "0"))
        if offset:
            if offset not in "Zz" and ":" not in offset:
                offset = f"{offset[:3]}:{offset[3:] or '00'}"
            return instant.parse(f"{day}T{clock}{offset}") + nanos
        return self._local(datetime.fromisoformat(f"{day}T{clock}"), raw, near) + nanos

    def _local(self, naive: datetime, raw: Any, near: Instant) -> Instant:
        """Return the instant of a local time."""
        if self._zone is None:
            raise self._bad(raw, "has no offset; name the clock's zone in `zone`")
        found = _instants(naive, self._zone)
        if not found:
            raise self._bad(raw, f"does not exist in {self._zone.key}: the clocks were set forward")
        after = self._after
        later = found if after is None else [at for at in found if at >= after] or found
        return min(later, key=lambda at: abs(at - near))

    def _local_count(self, wall: Instant, raw: Any, near: Instant) -> Instant:
        """Return the instant at which the zone's clock has counted to `wall`."""
        seconds, nanos = divmod(wall, SECOND)
        try:
            return self._local((_EPOCH + timedelta(seconds=seconds)).replace(tzinfo=None), raw, near) + nanos
        except OverflowError:
            raise self._bad(raw, "is outside the years 1970 to 2099") from None

    def _bad(self, raw: Any, what: str) -> Rejected:
        return Rejected("bad_time", f"{self.place}: {shown(raw)} {what}")

    def _hint(self, raw: Any, per: int | None, since: Instant) -> str:
        """Return which other unit would make a plausible time of a count."""
        if per is None:
            return ""
        count = _decimal(raw)
        if count is None:
            return ""
        fits = [unit for unit, ns in NS_PER.items() if _PLAUSIBLE <= since + int(count * ns) < LATEST]
        if not fits or fits[0] == self.form:
            return ""
        meant = instant.text(since + int(count * NS_PER[fits[0]]))
        return f'; with as = "{fits[0]}" it would be {meant}'


def _decimal(raw: Any) -> Decimal | None:
    """Return a count as an exact decimal; None for what is none, or is larger than any count of ns since 1970."""
    if type(raw) not in (int, float, str) or (type(raw) is int and raw.bit_length() > 128):
        return None
    text = str(raw)
    if len(text) > _MAX_LENGTH:
        return None
    try:
        value = Decimal(text.strip())
    except InvalidOperation:
        return None
    return value if value.is_finite() and abs(value) < _LARGEST else None


@lru_cache(maxsize=4096)
def _instants(naive: datetime, zone: ZoneInfo) -> tuple[Instant, ...]:
    """Return the instants at which a zone's clock shows a local time: none, one or two."""
    found = []
    for fold in (0, 1):
        moment = naive.replace(tzinfo=zone, fold=fold).astimezone(UTC)
        if moment.astimezone(zone).replace(tzinfo=None, fold=0) == naive.replace(fold=0):
            found.append(_instant(moment))
    return tuple(dict.fromkeys(found))


def _instant(moment: datetime) -> Instant:
    """Return an aware datetime as an instant."""
    passed: timedelta = moment - _EPOCH
    return (passed.days * 86_400 + passed.seconds) * SECOND + passed.microseconds * 1000


def step_ns(raw: Any, table: "StepTable") -> Fraction:
    """Return the step between two values of an array, ns, as an exact fraction. Raises Rejected("bad_step")."""
    if raw is MISSING:
        raise Rejected("missing", f"step: is missing; nothing is at {table.at}")
    if type(raw) in (int, float) and 0 < raw < 1e12 and (step := _exact_step(raw, table.form)):
        return step
    what = "a rate in Hz" if table.form == "Hz" else f"a step in {table.form}"
    raise Rejected(
        "bad_step",
        f"{table.at}: {shown(raw)} is not {what} of at least {times.MIN_STEP_S} s and at most a day",
    )


@lru_cache(maxsize=256)
def _exact_step(raw: int | float, form: str) -> Fraction | None:
    exact = Fraction(Decimal(repr(raw)))
    step = SECOND / exact if form == "Hz" else exact * NS_PER[form]
    return step if times.MIN_STEP_S * SECOND <= step <= 86_400 * SECOND else None


def even_grid(first: Instant, step: Fraction, count: int) -> Ints:
    """Return `count` instants from `first` on, each rounded once to the nanosecond: int64 [count]."""
    numerator, denominator = step.as_integer_ratio()
    if denominator == 1:
        return first + np.arange(count, dtype=np.int64) * numerator
    return np.array(
        [first + (2 * i * numerator + denominator) // (2 * denominator) for i in range(count)], np.int64
    )
