"""Read tables of samples into rows by hammer.

A column of a wrong type is an error. A row without an instant or a hammer is counted and skipped. An unreadable cell
counts as not sampled, and is counted too.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from typing import Any, Final

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types

from strikewatch.core.batch import Floats, Ints, Key, Rows
from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.errors import InputError
from strikewatch.sources.recordings.columns import (
    Bools,
    cell_remedy,
    floats,
    int64,
    is_text,
    one_array,
    plain,
)
from strikewatch.sources.recordings.read_options import AS_IN_CONTRACT, KNOWN, ReadOptions, near
from strikewatch.sources.recordings.times import LastLocal, times, why_unusable

PIECE_ROWS: Final = 131_072
"""Maximum number of rows per piece: a few columns of them fit into the processor's cache."""

_FEW: Final = 16
"""For so many hammers, looking for the rows of each takes less time than sorting the rows by hammer."""
_TABLE: Final = 65_536
"""Numbers below this are looked up in a table, which takes a tenth of the time of sorting them."""

ROW_REASONS: Final = {
    "time": "without a usable instant",
    "hammer": "without a hammer",
    "fields": "with too few or too many fields",
}


class RowReader:
    """Reads tables into rows, and counts what cannot be used. `place` names the table in messages."""

    place: str

    as_text = False
    """Channels are text, as in CSV; otherwise only boolean channels may be text."""

    decimal_comma = False
    """Numbers in text may have a decimal comma."""

    options: ReadOptions = AS_IN_CONTRACT

    last_local: LastLocal | None = None
    """The last local row before the table; None if it begins with the recording."""

    def __init__(self) -> None:
        self.bad: Counter[str] = Counter()
        """Rows without an instant, a hammer or the right number of fields, and invalid lines of events ("event")."""
        self.cells: Counter[str] = Counter()
        """Unreadable cells by column."""
        self.read: Counter[str] = Counter()
        """Readable cells by column, of columns that are text."""
        self.examples: dict[str, str] = {}
        """The first example of each reason and column: place, value and what is wrong."""
        self.ignored: set[str] = set()
        self.assumed: Counter[str] = Counter()
        """Times without an offset: read as "utc" or as "local"; "twice": in the hour that occurs twice."""

    def add_counts(self, other: "RowReader") -> None:
        """Add what another reader has counted, in rows after these."""
        for name in ("bad", "cells", "read", "assumed"):
            getattr(self, name).update(getattr(other, name))
        self.examples = {**other.examples, **self.examples}

    def note_bad(self, reason: str, mask: Bools, first_row: int, why: Callable[[int], str]) -> None:
        """Count bad rows; keep the first of each reason as an example."""
        if n := int(np.count_nonzero(mask)):
            self.bad[reason] += n
            if reason not in self.examples:
                k = int(mask.argmax())
                self.examples[reason] = f"{self.place}: row {first_row + k}: {why(k)}"

    def note_cells(self, name: str, values: Floats, wrong: Bools | None, column: Any, first_row: int) -> None:
        """Count readable and unreadable cells of a column; keep the first unreadable one as an example."""
        self.read[name] += int(np.count_nonzero(values == values))
        if wrong is None:
            return
        self.cells[name] += int(wrong.sum())
        if name not in self.examples:
            k = int(wrong.argmax())
            remedy = cell_remedy(CHANNELS[ALIASES.get(name, (name,))[0]].boolean)
            value = column[k].as_py()
            self.examples[name] = (
                f"{self.place}: row {first_row + k}: `{name}` is {value!r}, which cannot be read; {remedy}"
            )

    def check_columns(self, names: Sequence[str]) -> None:
        """Raise InputError if a required column is missing, or a column is there twice."""
        for name in ("time", "hammer"):
            if name not in names and not (name == "hammer" and self.options.hammer):
                remedy = f"if a column of another name contains it, give --column {name}=COLUMN"
                if name == "hammer":
                    remedy += "; if all rows are of one hammer, name it: --as-hammer HB-01"
                raise InputError(
                    f"{self.place}: column `{name}` is missing; {near(name, names)}a recorded shift has `time`, "
                    f"`hammer` and channels such as `active`, `pressure_bar`, `oil_c` "
                    f"(found: {', '.join(map(str, names)) or 'nothing'}); {remedy}"
                )
        twice = [name for name, n in Counter(names).items() if n > 1]
        for alias, (channel, _) in ALIASES.items():
            if alias in names and channel in names:
                twice.append(f"{channel}` and `{alias}")
        if twice:
            raise InputError(f"{self.place}: column `{twice[0]}` is given twice; keep one")
        self.ignored |= {str(name) for name in names if name not in KNOWN}
        if self.ignored and not any(name in CHANNELS or name in ALIASES for name in names):
            one = min(self.ignored)
            raise InputError(
                f"{self.place}: no column is a known channel (found: {', '.join(map(str, names))}); "
                f"{near(one, KNOWN)}map them with --column, such as --column pressure_bar={one!r}"
            )

    def check_names(self, names: Sequence[str], types: Sequence[Any]) -> None:
        """Raise InputError if a column of names holds lists or the like; `types`: those of the columns `names`."""
        for name, kind in zip(names, types, strict=True):
            if name in ("hammer", "site") and pa.types.is_nested(kind):
                raise InputError(f"{self.place}: column `{name}` holds {kind}; write names as text")

    def rows_of(
        self, table: Any, site: str, first_row: int, key: Key | None = None
    ) -> Iterator[tuple[Key, Rows]]:
        """Yield the rows of a table by hammer. `first_row`: its number in messages. `key`: the only hammer."""
        zone = self.options.zone
        when = times(table["time"], zone, self.place, self.last_local)
        self.assumed.update({"utc": when.assumed, "local": when.local, "twice": when.twice})

        def why(k: int) -> str:
            value = table["time"][k].as_py() if is_text(plain(table["time"]).type) else None
            shown = table["time"][k].cast(pa.string()).as_py() if value is None else value
            what = f"`time` {shown!r}" if shown is not None else "`time`"
            return f"{what} {why_unusable(shown if value is None else value, zone)}"

        self.note_bad("time", when.bad, first_row, why)
        bad = when.bad
        columns: dict[str, Floats] = {}
        for name in table.column_names:
            channel, convert = ALIASES.get(name, (name, None))
            if channel not in CHANNELS:
                continue
            values, wrong = floats(
                table[name],
                name,
                boolean=CHANNELS[channel].boolean,
                as_text=self.as_text,
                decimal_comma=self.decimal_comma,
                place=self.place,
            )
            text = is_text(plain(table[name]).type)
            if convert or text:
                with np.errstate(over="ignore"):
                    values, wrong = _finite(convert(values) if convert else values, wrong)
            if text or wrong is not None:
                self.note_cells(name, values, wrong, table[name], first_row)
            columns[channel] = values
        rows = Rows(when.time_ns, columns)
        if key is None and "hammer" not in table.column_names and self.options.hammer:
            if "site" not in table.column_names:
                key = site, self.options.hammer
            else:
                one = pa.DictionaryArray.from_arrays(
                    pa.array(np.zeros(len(table), np.int32)), pa.array([self.options.hammer])
                )
                table = table.append_column("hammer", one)
        if key is not None:
            yield from _cut(key, rows[~bad] if bad.any() else rows)
            return
        keys, codes, nameless = _keys(table, site)
        self.note_bad(  # a row is lost once
            "hammer", nameless & ~bad, first_row, lambda _: "`hammer` is empty; name the hammer in each row"
        )
        bad = bad | nameless
        if bad.any():
            rows, codes = rows[~bad], codes[~bad]
        if len(keys) == 1:
            yield from _cut(keys[0], rows)
            return
        for one_key, places in zip(keys, _places(codes, len(keys)), strict=True):
            if len(places):
                yield from _cut(one_key, rows[places])


class PartReader(RowReader):
    """Reads one part of a shift, and counts separately what cannot be used."""

    def __init__(self, place: str, options: ReadOptions, last_local: LastLocal | None = None) -> None:
        super().__init__()
        self.place = place
        self.options = options
        self.last_local = last_local


def _finite(values: Floats, wrong: Bools | None) -> tuple[Floats, Bools | None]:
    """Return the values with NaN in place of infinity, and the mask of unreadable cells with those added."""
    infinite = np.isinf(values)
    if not infinite.any():
        return values, wrong
    return np.where(infinite, np.nan, values), infinite if wrong is None else wrong | infinite


def _cut(key: Key, rows: Rows) -> Iterator[tuple[Key, Rows]]:
    """Yield rows in pieces of at most `PIECE_ROWS`."""
    for start in range(0, len(rows), PIECE_ROWS):
        yield key, rows[start : start + PIECE_ROWS]


def _places(codes: Ints, count: int) -> Iterator[Ints]:
    """Yield, for each code below `count`, where it is in codes [n], in order."""
    if count <= _FEW:
        yield from (np.flatnonzero(codes == code) for code in range(count))
        return
    order = np.argsort(codes, kind="stable")
    bounds = np.searchsorted(codes[order], np.arange(count + 1))
    yield from (order[first:end] for first, end in pairwise(bounds.tolist()))


def _keys(table: Any, site: str) -> tuple[list[Key], Ints, Bools]:
    """Return the hammers in a table, the index of each row's hammer [n], and a mask [n] of rows without one."""
    codes, hammers = _codes(table["hammer"])
    nameless = codes < 0
    if "site" not in table.column_names:
        return [(site, hammer) for hammer in hammers], codes, nameless
    if not hammers:
        return [], codes, nameless
    site_codes, sites = _codes(table["site"])
    if len(sites) == 1 and not site_codes.any():  # one site in every row
        return [(sites[0], hammer) for hammer in hammers], codes, nameless
    if site not in sites:
        sites.append(site)
    site_codes = np.where(site_codes < 0, sites.index(site), site_codes)
    pairs, both = _distinct(site_codes * len(hammers) + np.maximum(codes, 0), below=len(sites) * len(hammers))
    keys = [(sites[p // len(hammers)], hammers[p % len(hammers)]) for p in pairs.tolist()]
    return keys, both, nameless


def _distinct(numbers: Ints, below: int) -> tuple[Ints, Ints]:
    """Return the distinct numbers, in order, and for each of numbers [n] its index among them."""
    if below > _TABLE:
        distinct, index = np.unique(numbers, return_inverse=True)
        return distinct, index.astype(np.int64)
    seen = np.zeros(below, bool)
    seen[numbers] = True
    return np.flatnonzero(seen), (np.cumsum(seen) - 1)[numbers]


def _codes(column: Any) -> tuple[Ints, list[str]]:
    """Encode names as indices [n], -1 for none; return them and the names."""
    column = one_array(column.unify_dictionaries() if isinstance(column, pa.ChunkedArray) else column)
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    codes = int64(column.indices, null=-1)
    names: dict[str, int] = {}
    own = [named(name) for name in column.dictionary.to_pylist()]
    final = np.array([names.setdefault(name, len(names)) if name else -1 for name in own] + [-1], np.int64)
    as_encoded = len(names) == len(own) and not column.null_count
    return codes if as_encoded else final[codes], list(names)


def named(cell: Any) -> str:
    """Return the name of a hammer or site in a cell, without surrounding blanks; empty for none."""
    return "" if cell is None else str(cell).strip()
