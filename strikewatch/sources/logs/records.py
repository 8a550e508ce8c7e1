"""Records of a logger file as columns, and the account of what was left out."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types

from strikewatch.core.batch import Floats, Ints
from strikewatch.core.events import Event
from strikewatch.sources.recordings.columns import float64, int64, one_array


@dataclass(frozen=True, slots=True)
class Cells:
    """A column of texts, dates or mixed values: `values` holds each distinct one once, `codes` [n] points into it."""

    values: Sequence[Any]
    codes: Ints

    def __len__(self) -> int:
        return len(self.codes)

    def __getitem__(self, part: Any) -> "Cells":
        return Cells(self.values, self.codes[part])


@dataclass(frozen=True, slots=True)
class Texts:
    """A column of texts: an Arrow array [n] of strings, null where a cell is empty."""

    array: Any

    def __len__(self) -> int:
        return len(self.array)

    def __getitem__(self, part: Any) -> "Cells":
        return self.cells()[part]

    def cells(self) -> Cells:
        """Return the column with each distinct text once; None for an empty cell."""
        encoded = one_array(self.array).dictionary_encode()
        values = encoded.dictionary.to_pylist()
        return Cells([*values, None], int64(encoded.indices, null=len(values)))

    def joined(self, other: "Texts") -> "Texts":
        """Return the cells of two columns with a blank between them; null where either is."""
        import pyarrow.compute as pc  # type: ignore[import-untyped]  # ships no types

        first, second = (pc.utf8_trim_whitespace(each.array) for each in (self, other))
        return Texts(pc.binary_join_element_wise(first, second, " "))

    def integers(self) -> Ints | None:
        """Return the column as int64 [n]; None if a cell is empty, or not a whole number of that size."""
        if self.array.null_count:
            return None
        try:
            return int64(self.array.cast(pa.int64()), null=0)
        except pa.ArrowInvalid:
            return None

    def numbers(self, decimal: str) -> Floats | None:
        """Return the column as float64 [n], NaN for an empty cell; None if a text is not a number in that notation."""
        import pyarrow.compute as pc

        array = self.array
        if decimal == ",":
            if pc.any(pc.match_substring(array, ".")).as_py():
                return None
            array = pc.replace_substring(array, ",", ".")
        try:
            found = array.cast(pa.float64())
        except pa.ArrowInvalid:
            return None
        values = float64(found)
        # Arrow also reads words such as nan and inf, which stand for no number here.
        words = np.count_nonzero(~np.isfinite(values)) - array.null_count
        return None if words else values


_MAX_KINDS: Final = 1000
"""So many kinds of records are counted apart."""

Mask = npt.NDArray[np.bool_]
Column = Cells | Texts | Floats | Ints


def cells(values: Sequence[Any]) -> Column:
    """Encode cells of any hashable kind: numbers as float64 with NaN where one is empty, else as `Cells`."""
    if set(map(type, values)) <= {int, float, type(None)}:
        try:
            return np.array(values, np.float64)
        except OverflowError:
            pass
    known: dict[tuple[type, Any], int] = {}  # true and 1 stay apart
    codes = [known.setdefault((type(value), value), len(known)) for value in values]
    return Cells([value for _, value in known], np.array(codes, np.int64))


def as_cells(column: Column) -> Cells:
    """Return a column with each distinct value once."""
    if isinstance(column, Cells):
        return column
    if isinstance(column, Texts):
        return column.cells()
    values, codes = np.unique(column, return_inverse=True)
    return Cells(values.tolist(), codes.astype(np.int64))


def value_at(column: Column, k: int) -> Any:
    """Return one cell as a Python value; None where it is empty."""
    if isinstance(column, Texts):
        return column.array[k].as_py()
    value = column.values[column.codes[k]] if isinstance(column, Cells) else column[k].item()
    return None if value != value else value


@dataclass(frozen=True, slots=True)
class Records:
    """Part of a log: `n` records in its order, as columns of that length.

    `time_ns`: instants [n], if the log has them apart from its columns. `first`: number of the first record in
    messages, which call it a `noun` ("row 17"). `units`: by column, if the log names them.
    """

    n: int
    columns: Mapping[str, Column]
    time_ns: Ints | None = None
    first: int = 1
    noun: str = "row"
    units: Mapping[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class LeftOut:
    """What was left out of a log, by reason, with the first example of each."""

    count: Counter[str] = field(default_factory=Counter)
    examples: dict[str, str] = field(default_factory=dict)

    def add(self, reason: str, n: int, example: str) -> None:
        """Count n more records or values."""
        if n:
            self.count[reason] += n
            self.examples.setdefault(reason, example)


@dataclass(slots=True)
class Account:
    """What became of the records of one file."""

    records: int = 0
    left_out: LeftOut = field(default_factory=LeftOut)
    """Records, by reason."""
    values: Counter[str] = field(default_factory=Counter)
    """Values by channel."""
    bad_values: LeftOut = field(default_factory=LeftOut)
    """Values that cannot be read, by channel."""
    passed_over: Counter[str] = field(default_factory=Counter)
    """Records that the table does not ask for."""
    events: list[Event] = field(default_factory=list)
    twice: int = 0
    """Local times in the hour that occurs twice."""

    def pass_over(self, what: str, n: int) -> None:
        """Count n more records that the table does not ask for."""
        if n:
            known = what in self.passed_over or len(self.passed_over) < _MAX_KINDS
            self.passed_over[what if known else "records of further devices"] += n

    def add(self, left_out: LeftOut, passed_over: Counter[str]) -> None:
        """Add what the reader of a file left out: records that reached no mapper."""
        self.records += left_out.count.total() + passed_over.total()
        self.passed_over.update(passed_over)
        for reason, n in left_out.count.items():
            self.left_out.add(reason, n, left_out.examples[reason])
