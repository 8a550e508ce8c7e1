"""Which columns of a log give which channels, and their values, by the rules of live sources."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from strikewatch.core.batch import Floats, Ints
from strikewatch.core.channels import CHANNELS
from strikewatch.errors import InputError, Rejected
from strikewatch.sources.hold import NO_VALUE
from strikewatch.sources.logs.records import Account, Column, Mask, Records, Texts, as_cells
from strikewatch.sources.mapping.paths import is_path
from strikewatch.sources.mapping.patterns import Name
from strikewatch.sources.mapping.tables import ChannelTable, Scalar, SourceTable, close
from strikewatch.sources.mapping.units import UNITS
from strikewatch.sources.mapping.value_readers import ValueReader, reader
from strikewatch.sources.mapping.values import Codes
from strikewatch.sources.recordings.columns import NOT_SAMPLED

_PLACE: Final = re.compile(r"^\[\d+\]: ")
_UNITS: Final = {
    **dict.fromkeys(("u/min", "upm", "1/min", "min-1", "min^-1"), "rpm"),
    **dict.fromkeys(("deg c", "degc", "° c", "celsius", "grad c"), "Cel"),
    **dict.fromkeys(("deg f", "° f", "fahrenheit"), "degF"),
    **dict.fromkeys(("degree", "degrees", "grad"), "deg"),
}
"""Units as DBC files and loggers write them, in lower case; the symbols of `UNITS` are known too."""
_CONVERTING: Final = {"unit", "scale", "offset", "raw"}
"""Keys of a channel that say what its numbers mean, so that the unit of the log does not."""

Resolve = Callable[[str], str]
"""path → name of a column. Raises InputError."""


@dataclass(frozen=True, slots=True)
class Use:
    """A channel, and the column that gives it (None: a constant). `words`: what the column's name gives."""

    column: str | None
    channel: str
    table: ChannelTable
    words: Mapping[str, str] = field(default_factory=dict)


def conditions(where: Mapping[str, Sequence[Scalar]], resolve: Resolve, decimal: str) -> dict[str, Codes]:
    """Return the columns of a `where`, with the accepted values. Raises InputError."""
    for path in where:
        if not is_path(path):
            raise InputError(
                f"where: {path!r} is not a path; a file has no topic, name a column like @.quality"
            )
    return {resolve(path): Codes(values, decimal) for path, values in where.items()}


def matches(column: Column, codes: Codes) -> Mask:
    """Return a mask [n] of the cells that are among some values."""
    cells = as_cells(column)
    found: Mask = np.array([raw in codes for raw in cells.values], bool)
    return found[cells.codes]


class ChannelColumns:
    """The channels of a source in one file. `names`: the signals that `named` may name.

    Raises InputError for a column or signal that is not there, or not clear.
    """

    def __init__(
        self, source: SourceTable, resolve: Resolve, names: Sequence[str], place: str, account: Account
    ) -> None:
        self._decimal, self._place, self._account = source.decimal, place, account
        self._readers: dict[tuple[str, str], ValueReader] = {}
        self.uses: Final = list(_bound(source, resolve, names, place))
        self._where = {
            channel: conditions(table.where, resolve, source.decimal)
            for channel, table in source.channels.items()
            if table.where
        }

    def wanted(self) -> list[str]:
        """Return the columns that are used."""
        places = [use.column for use in self.uses if use.column is not None]
        return places + [place for accepted in self._where.values() for place in accepted]

    def applies(self, records: Records, channel: str) -> Mask | None:
        """Return a mask [n] of the records that a channel's `where` accepts; None if it has none."""
        accepted = self._where.get(channel)
        if not accepted:
            return None
        found = np.ones(records.n, bool)
        for place, codes in accepted.items():
            found &= matches(records.columns[place], codes)
        return found

    def values(self, records: Records, use: Use, keep: Mask, numbers: Ints | None = None) -> Floats:
        """Return the values of a channel, NaN where there is none; count those of `keep` that cannot be read.

        `numbers`: places [n] of the records in the file, from its first.
        """
        if use.column is None:
            return np.full(records.n, self._reader(use, "").read(use.table.constant))
        unit = records.units.get(use.column, "")
        boolean = CHANNELS[use.channel].boolean
        column = records.columns[use.column]
        values, bad, why = _read(self._reader(use, unit), column, self._decimal, boolean=boolean)
        bad = bad & keep
        if bad.any():
            k = int(bad.argmax())
            number = records.first + (k if numbers is None else int(numbers[k]))
            self._account.bad_values.add(use.channel, int(bad.sum()), f"{records.noun} {number:,}: {why(k)}")
        self._account.values[use.channel] += int((np.isfinite(values) & keep).sum())
        return np.where(keep, values, np.nan)

    def _reader(self, use: Use, unit: str) -> ValueReader:
        key = use.channel, unit
        if key not in self._readers:
            table = use.table
            if unit and not table.model_fields_set & _CONVERTING and not CHANNELS[use.channel].boolean:
                table = table.model_copy(update={"unit": self._unit(use, unit)})
            self._readers[key] = reader(use.channel, table, self._decimal)
        return self._readers[key]

    def _unit(self, use: Use, unit: str) -> str:
        """Return the unit that a log gives, as a source's table writes it. Raises InputError."""
        known = UNITS[CHANNELS[use.channel].unit]
        folded = {one.casefold(): one for one in known}
        plain = unit.strip().strip("[]").casefold()
        found = folded.get(plain) or folded.get(_UNITS.get(plain, "").casefold())
        if found is None:
            raise InputError(
                f"{self._place}: the log gives `{use.column}` the unit {unit!r}, which does not fit {use.channel}; "
                f"set `unit` to one of {', '.join(known)}, or name another signal"
            )
        return found


def _bound(source: SourceTable, resolve: Resolve, names: Sequence[str], place: str) -> Iterator[Use]:
    """Yield which columns give which channels."""
    for channel, table in source.channels.items():
        if table.constant is not None:
            yield Use(None, channel, table)
        elif table.at is not None:
            yield Use(resolve(table.at), channel, table)
        elif table.named is not None and source.name is None:
            yield from _named(channel, table, table.named, names, place)


def _named(channel: str, table: ChannelTable, named: str, names: Sequence[str], place: str) -> Iterator[Use]:
    """Yield a use of each signal that `named` matches. Raises InputError for none, or several for the same words."""
    if not names:
        raise InputError(
            f"{place}: `named` is for signals (CAN, MDF) and tables of names and values; name the column of {channel} "
            f"with a path, like @[{named!r}]"
        )
    match = Name(named).match
    found = [(name, words) for name in names if (words := match(name)) is not None]
    if not found:  # without the name of the message
        found = [(name, words) for name in names if (words := match(name.rpartition(".")[2])) is not None]
    if not found:
        known = {name.rpartition(".")[2]: name for name in names} | {name: name for name in names}
        hint = close(named, known) or f"; there are {', '.join(names[:8])}" + (" …" if len(names) > 8 else "")
        raise InputError(f"{place}: no signal `{named}` for {channel}{hint}")
    if len({tuple(sorted(words.items())) for _, words in found}) < len(found):
        listed = ", ".join(name for name, _ in found[:8])
        raise InputError(f"{place}: `{named}` for {channel} matches several signals; name one of {listed}")
    for name, words in found:
        yield Use(name, channel, table, words)


def _read(
    read: ValueReader, column: Column, decimal: str, *, boolean: bool
) -> tuple[Floats, Mask, Callable[[int], str]]:
    """Return values [n], a mask [n] of cells that cannot be read, and what is wrong with one of them."""
    numbers = column.numbers(decimal) if isinstance(column, Texts) and not boolean else column
    if isinstance(numbers, np.ndarray) and not boolean:
        found, mistakes = read.column(numbers.astype(np.float64))
        # An empty cell is not sampled; only a code for "no value" ends the hold of a channel.
        found[np.isnan(numbers)] = np.nan
        bad = np.zeros(len(found), bool)
        if mistakes:
            bad = np.isfinite(numbers) & np.isnan(found)
        return found, bad, lambda _: _PLACE.sub("", mistakes[0].detail)
    cells = as_cells(column)
    values = np.full(len(cells.values), np.nan)
    wrong = np.zeros(len(cells.values), bool)
    details: dict[int, str] = {}
    for code, raw in enumerate(cells.values):
        if raw is None or raw != raw:
            continue
        try:
            values[code] = read.read(None if raw == NO_VALUE else raw)
        except Rejected as error:
            if not isinstance(raw, str) or raw.strip().lower() not in NOT_SAMPLED:
                wrong[code] = True
                details[code] = error.detail
    return values[cells.codes], wrong[cells.codes], lambda k: details[int(cells.codes[k])]
