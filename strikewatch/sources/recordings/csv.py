"""A CSV table of samples. Every field is read as text, so that one bad field affects no other.

Many tables that do not fit into memory together are each read again whenever their rows are needed.

The delimiter is detected in the first line: comma, semicolon, tab or `|`. With a delimiter other than the comma,
numbers may have a decimal comma.
"""

import csv
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any, Final

import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.csv as pacsv  # type: ignore[import-untyped]  # ships no types

from strikewatch.core.batch import Ints, Key, Rows
from strikewatch.core.instant import Instant
from strikewatch.errors import InputError
from strikewatch.sources.recordings.events import read_events
from strikewatch.sources.recordings.read_options import AS_IN_CONTRACT, ReadOptions
from strikewatch.sources.recordings.row_reader import PartReader
from strikewatch.sources.recordings.shift import TableShift

_NOT_SAMPLED: Final = ["", "null", "NULL", "NaN", "nan", "None"]
_DELIMITERS: Final = ",;\t|"


class CsvShift(TableShift):
    """`samples.csv`. `keep`: hold its rows in memory; otherwise only what is known of them."""

    as_text = True
    _known: tuple[dict[Key, set[str]], tuple[Instant, Instant]] | None = None
    """Feeds and span, once the rows are no longer in memory."""

    def __init__(
        self,
        path: Path,
        events: Path | None,
        options: ReadOptions = AS_IN_CONTRACT,
        *,
        keep: bool = True,
    ) -> None:
        table, short, example, delimiter = _read(path)
        self.decimal_comma = delimiter != ","
        super().__init__(table, str(path), path.resolve().parent.name, first_row=2, options=options)
        self.total += short
        if short:
            self.bad["fields"] += short
            self.examples["fields"] = f"{path}: {example}"
        if events is not None:
            self.in_folder = True
            sites = {key[1]: key[0] for key in self.feeds()}
            known = next(iter(sites.values()), self._site)
            self.events, self.bad["event"] = read_events(
                events, lambda hammer: sites.get(hammer, known), self.examples, options.zone
            )
        if not keep:
            self._known = self.feeds(), self.span()  # this has counted what cannot be used, too
            self._table, self._pieces = self._table.schema.empty_table(), None

    def pieces(self) -> Iterator[tuple[Key, Rows]]:
        return self._read_again() if self._known else super().pieces()

    def times(self, number: int) -> Iterator[tuple[Key, Ints]]:
        if self._known is None:
            return super().times(number)
        return ((key, rows.time_ns) for key, rows in self._read_again(("time", "hammer", "site")))

    def feeds(self) -> dict[Key, set[str]]:
        return self._known[0] if self._known else super().feeds()

    def span(self) -> tuple[Instant, Instant]:
        return self._known[1] if self._known else super().span()

    def near(self, key: Key, begin: Instant, end: Instant) -> Iterator[tuple[Key, Rows]]:
        first, last = self.span()
        return super().near(key, begin, end) if begin <= last and first < end else iter(())

    def _read_again(self, names: Collection[str] = ()) -> Iterator[tuple[Key, Rows]]:
        """Read the rows from the file, of some columns only if `names` are given."""
        reader = PartReader(self.place, self.options)
        reader.as_text, reader.decimal_comma = self.as_text, self.decimal_comma
        table = _read(Path(self.place))[0].rename_columns(self._table.column_names)
        if names:
            table = table.select([name for name in table.column_names if name in names])
        return reader.rows_of(table, self._site, self._first_row)


def _read(path: Path) -> tuple[Any, int, str, str]:
    """Return the table as text, how many rows have a wrong number of fields, an example, and the delimiter."""
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            heading = file.readline()
            delimiter = max(_DELIMITERS, key=lambda candidate: len(_fields(heading, candidate)))
            file.seek(0)
            names = next(csv.reader(file, delimiter=delimiter), [])
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(
            f"{path}: not a CSV file in UTF-8 that can be read ({error}); save it as UTF-8"
        ) from None
    if not names:
        raise InputError(f"{path}: the file is empty; the first line must name the columns (time,hammer,…)")
    short = 0
    example = ""

    def skip(row: Any) -> str:
        nonlocal short, example
        short += 1
        if not example:
            example = (
                f"row {row.number}: {row.actual_columns} fields where the first line has {row.expected_columns} "
                f"({row.text[:80]!r}); put fields that hold {delimiter!r} in double quotes"
            )
        return "skip"

    try:
        table = pacsv.read_csv(
            path,
            read_options=pacsv.ReadOptions(
                column_names=[name.strip() for name in names], skip_rows=1, use_threads=False
            ),
            parse_options=pacsv.ParseOptions(invalid_row_handler=skip, delimiter=delimiter),
            convert_options=pacsv.ConvertOptions(
                column_types={name.strip(): pa.string() for name in names},
                null_values=_NOT_SAMPLED,
                strings_can_be_null=True,
            ),
        )
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"{path}: not a CSV file in UTF-8 that can be read ({error}); save it as UTF-8"
        ) from None
    return table, short, example, delimiter


def _fields(line: str, delimiter: str) -> list[str]:
    return next(csv.reader([line], delimiter=delimiter), [])
