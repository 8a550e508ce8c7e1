"""Readers of a channel's values: numbers in any unit, codes for "no value", words and bits for yes or no.

A reader converts one value (`read`) or a whole column (`column`), with the same result to the bit.
"""

import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats
from strikewatch.core.channels import CHANNELS
from strikewatch.errors import Rejected
from strikewatch.sources.hold import NO_VALUE
from strikewatch.sources.mapping.tables import ChannelTable
from strikewatch.sources.mapping.units import UNITS, same
from strikewatch.sources.mapping.values import MAX_DETAILS, Codes, Mistakes, is_blank, number, shown, to_float

_YES_NO: Final = {"true": 1.0, "on": 1.0, "1": 1.0, "false": 0.0, "off": 0.0, "0": 0.0}
_MAX_BITS: Final = 1 << 64
NOTHING: Final[frozenset[type]] = frozenset()
NUMBERS: Final[frozenset[type]] = frozenset({int, float, type(None)})
BOOLEANS: Final[frozenset[type]] = frozenset({bool, type(None)})


class ValueReader(ABC):
    """Reads the values of one channel."""

    def __init__(self, table: ChannelTable, decimal: str) -> None:
        self._decimal = decimal
        self._missing = Codes(table.missing, decimal)
        self._has_missing = bool(self._missing)
        self._holds = table.hold_s is not None

    def read(self, raw: Any, *, null_ends_hold: bool = False) -> float:
        """Convert one value to the channel's unit; NaN where there is none. Raises Rejected.

        Where the channel is held, or with `null_ends_hold`, a null ends the hold: it becomes `hold.NO_VALUE`.
        """
        if raw is not None and not (self._has_missing and raw in self._missing):
            value = self._value(raw)
            if value == value:
                return value
        return NO_VALUE if self._holds or null_ends_hold else math.nan

    def column(
        self, values: Sequence[Any] | npt.NDArray[Any], *, null_ends_hold: bool = False
    ) -> tuple[Floats, list[Rejected]]:
        """Convert a column: float64 [n], NaN where there is no value, and the bad values, which are NaN too."""
        numbers = _numbers(values, self._takes)
        mistakes = Mistakes()
        if numbers is not None:
            found, bad = self._convert(numbers)
            if len(self._missing.numbers):
                known = np.isin(numbers, self._missing.numbers)
                found[known], bad[known] = np.nan, False
            if bad.any():
                for k in np.flatnonzero(bad)[: MAX_DETAILS + 1].tolist():
                    mistakes.add(self._bad_number(k, values[k]))
                if (left := int(bad.sum()) - MAX_DETAILS - 1) > 0:
                    mistakes.all()[-1].count += left
                found[bad] = np.nan
        else:
            bad = np.zeros(len(values), bool)
            found = np.full(len(values), np.nan)
            read: dict[Any, float] = {}
            for k, raw in enumerate(values.tolist() if isinstance(values, np.ndarray) else values):
                try:
                    if type(raw) is not str:
                        found[k] = self.read(raw)
                    elif raw in read:
                        found[k] = read[raw]
                    else:
                        found[k] = read[raw] = self.read(raw)
                except Rejected as error:
                    bad[k] = True
                    mistakes.add(Rejected(error.reason, f"[{k}]: {error.detail}"))
            found[np.isposinf(found)] = np.nan
        if self._holds or null_ends_hold:
            found[np.isnan(found) & ~bad] = NO_VALUE
        return found, mistakes.all()

    _takes: frozenset[type] = NUMBERS
    """The types that `_convert` takes, as float64."""

    @abstractmethod
    def _value(self, raw: Any) -> float:
        """Convert one value that is not null and no code for "no value"."""

    @abstractmethod
    def _convert(self, numbers: Floats) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """Convert numbers; also return where they are bad."""

    def _bad_number(self, k: int, raw: Any) -> Rejected:
        try:
            self._value(raw.item() if isinstance(raw, np.generic) else raw)
        except Rejected as error:
            return Rejected(error.reason, f"[{k}]: {error.detail}")
        return Rejected("bad_value", f"[{k}]: {shown(raw)}")


class NumberReader(ValueReader):
    """Reads numbers: scale and offset, or a range onto another, then the unit."""

    def __init__(self, channel: str, table: ChannelTable, decimal: str) -> None:
        super().__init__(table, decimal)
        unit = CHANNELS[channel].unit
        self._to_unit = UNITS[unit][table.unit or unit]
        self._begin, self._scale, self._offset = 0.0, table.scale, table.offset
        if table.raw is not None and table.to is not None:
            self._begin, self._offset = table.raw[0], table.to[0]
            self._scale = (table.to[1] - table.to[0]) / (table.raw[1] - table.raw[0])
        self._plain = (self._begin, self._scale, self._offset) == (0.0, 1.0, 0.0)

    def _value(self, raw: Any) -> float:
        kind = type(raw)
        if kind is float:
            value = raw
        elif kind is int:
            value = to_float(raw)
        else:
            found = number(raw, self._decimal) if kind is str else None
            if found is None and is_blank(raw):
                return math.nan
            if found is None:
                remedy = "list it in `missing` if it stands for no value"
                if kind is str and self._decimal == "." and number(raw, ",") is not None:
                    remedy = 'set decimal = ","'
                raise Rejected("bad_value", f"{shown(raw)} is not a number; {remedy}")
            value = found
        if value - value != 0.0:  # NaN or infinite
            return math.nan
        if not self._plain:
            value = (value - self._begin) * self._scale + self._offset
        value = float(self._to_unit(value))
        if value - value != 0.0:
            raise Rejected("bad_value", f"{shown(raw)} is too large for its unit")
        return value

    def _convert(self, numbers: Floats) -> tuple[Floats, npt.NDArray[np.bool_]]:
        finite = np.isfinite(numbers)
        found, bad = numbers, np.zeros(len(numbers), bool)
        if not self._plain or self._to_unit is not same:
            with np.errstate(all="ignore"):
                if not self._plain:
                    found = (numbers - self._begin) * self._scale + self._offset
                found = np.array(self._to_unit(found), np.float64)
            bad = finite & ~np.isfinite(found)
        found[~finite] = np.nan
        return found, bad


class YesNoReader(ValueReader):
    """Reads yes or no: words, a bit, a limit, or true and false in their usual forms."""

    def __init__(self, table: ChannelTable, decimal: str) -> None:
        super().__init__(table, decimal)
        self._on, self._off = Codes(table.on, decimal), Codes(table.off, decimal)
        self._bit, self._limit = table.bit, table.on_from
        plain = not (self._on or self._off or table.bit is not None or self._limit is not None)
        if self._limit is None:
            self._takes = BOOLEANS | NUMBERS if plain and not self._has_missing else NOTHING
        self._plain = plain

    def _value(self, raw: Any) -> float:
        if type(raw) is float and raw != raw:
            return math.nan
        if self._on or self._off:
            if raw in self._on:
                return 1.0
            if raw in self._off:
                return 0.0
            if is_blank(raw):
                return math.nan
            remedy = "is in neither `on` nor `off`; add it there, or to `missing`"
            raise Rejected("unknown_word", f"{shown(raw)} {remedy}")
        if is_blank(raw):
            return math.nan
        if self._bit is not None:
            return self._bit_of(raw, self._bit)
        if self._limit is not None:
            value = self._number(raw)
            if value is None:
                raise Rejected("bad_value", f"{shown(raw)} is not a number, which `on_from` needs")
            return float(value >= self._limit) if value == value else math.nan
        found = None
        if isinstance(raw, int | float) and raw in (0, 1):  # true and false too
            found = float(raw)
        elif isinstance(raw, str):
            found = _YES_NO.get(raw.strip().lower())
            if found is None and (value := number(raw, self._decimal)) in (0.0, 1.0):
                found = value
        if found is None:
            remedy = "is neither true nor false; name the values in `on` and `off`"
            raise Rejected("unknown_word", f"{shown(raw)} {remedy}")
        return found

    def _number(self, raw: Any) -> float | None:
        if type(raw) is int or type(raw) is float:
            return to_float(raw)
        return number(raw, self._decimal) if type(raw) is str else None

    def _bit_of(self, raw: Any, bit: int) -> float:
        value = self._number(raw)
        if value is None or not 0 <= value < _MAX_BITS or value != int(value):
            raise Rejected("bad_value", f"{shown(raw)} has no bits; `bit` needs a whole number from 0")
        return float((raw if type(raw) is int else int(value)) >> bit & 1)

    def _convert(self, numbers: Floats) -> tuple[Floats, npt.NDArray[np.bool_]]:
        if self._plain:
            return numbers, (numbers != 0.0) & (numbers != 1.0) & ~np.isnan(numbers)
        found = np.where(np.isnan(numbers), np.nan, (numbers >= (self._limit or 0.0)).astype(np.float64))
        return found, np.zeros(len(found), bool)


def reader(channel: str, table: ChannelTable, decimal: str = ".") -> ValueReader:
    """Return the reader of a channel's values."""
    return YesNoReader(table, decimal) if CHANNELS[channel].boolean else NumberReader(channel, table, decimal)


def _numbers(values: Sequence[Any] | npt.NDArray[Any], types: frozenset[type]) -> Floats | None:
    """Return a column of these types and nulls as float64 [n]; None if it has others, or too large a number."""
    if isinstance(values, np.ndarray):
        kinds = ("iuf" if int in types else "") + ("b" if bool in types else "")
        return values.astype(np.float64) if values.dtype.kind in kinds else None
    if not types.issuperset(map(type, values)) or not types:
        return None
    try:
        return np.array(values, np.float64)
    except OverflowError:
        return None
