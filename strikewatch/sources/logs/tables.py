"""Logs that are tables, CSV and Excel: their heading, which names the columns, and their rows in parts.

CSV: any delimiter and encoding, lines before the heading, numbers with a decimal comma. Excel (.xlsx, .xls, .xlsb,
.ods) is read by calamine (the extra `excel`); a sheet is held in memory, and has at most 1,048,576 rows.
"""

import codecs
import csv
import io
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from itertools import islice
from pathlib import Path
from typing import IO, Any, Final

import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.csv as pacsv  # type: ignore[import-untyped]  # ships no types

from strikewatch.errors import InputError
from strikewatch.sources.logs.channels import Use
from strikewatch.sources.logs.reader import LogReader, open_bytes, require_extra
from strikewatch.sources.logs.records import Records, Texts, cells
from strikewatch.sources.mapping import paths
from strikewatch.sources.mapping.tables import SourceTable, close

_LOOKED_THROUGH: Final = 60
"""Rows at the top of a table in which a missing column is looked for."""
_BLOCK_BYTES: Final = 1 << 20
"""Arrow reads up to 32 blocks ahead."""
_HEAD_BYTES: Final = 1 << 16
_DELIMITERS: Final = ",;\t|"
_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_EXCEL_ROWS: Final = 65_536


class Heading:
    """Resolves the paths of a source to columns of a table."""

    def __init__(self, path: Path, rows: Sequence[Sequence[Any]], source: SourceTable) -> None:
        self._path, self._rows, self._skip = path, rows[:_LOOKED_THROUGH], source.skip
        self.has_names = source.header is not False
        if len(rows) <= source.skip:
            raise InputError(f"{path}: has no rows after the {source.skip} that `skip` leaves out")
        first = rows[source.skip]
        self.names = (
            [_name(cell) for cell in first] if self.has_names else [str(k) for k in range(len(first))]
        )
        self.first_row = source.skip + 1 + self.has_names + source.skip_after
        """Number of the first row of values, from 1."""
        twice = Counter(self.names)
        seen: Counter[str] = Counter()
        self.unique = []
        for name in self.names:
            seen[name] += 1
            self.unique.append(name if twice[name] == 1 else f"{name}#{seen[name]}")

    def column(self, path: str) -> str:
        """Return the unique name of the column that a path names. Raises InputError."""
        root, steps = paths.parse(path)
        [step, *more] = [*steps, None]
        if root != "@" or more != [None] or not isinstance(step, str | int):
            raise InputError(
                f"{path}: name one column of the table, like @.oil or @['Druck [bar]'], or @[2] by number"
            )
        if isinstance(step, int):
            if not -len(self.unique) <= step < len(self.unique):
                raise InputError(
                    f"{self._path}: no column {step}; it has {len(self.unique)}, numbered from 0"
                )
            return self.unique[step]
        if not self.has_names:
            raise InputError(
                f"{self._path}: with header = false columns have no names; use {step!r} by number, like @[2]"
            )
        found = [unique for name, unique in zip(self.names, self.unique, strict=True) if name == step.strip()]
        if len(found) > 1:
            raise InputError(
                f"{self._path}: column `{step}` is there {len(found)} times; name it by number, like @[2]"
            )
        if not found:
            raise InputError(self._missing(step))
        return found[0]

    def _missing(self, name: str) -> str:
        shown = ", ".join(f"`{one}`" for one in self.names[:30])
        for k, row in enumerate(self._rows):
            if k != self._skip and name.strip() in map(_name, row):
                return f"{self._path}: column `{name}` is in line {k + 1}: set skip = {k}"
        folded = {one.casefold(): one for one in self.names}
        near = get_close_matches(name.casefold(), folded, 1, 0.5)
        hint = f"did you mean `{folded[near[0]]}`? " if near else ""
        return f"{self._path}: no column `{name}`; {hint}its columns are: {shown or 'none'}"


def _name(cell: Any) -> str:
    return "" if cell is None else " ".join(str(cell).split())


class DelimitedLog(LogReader):
    """A CSV log; `.gz` is unpacked."""

    def __init__(self, path: Path, source: SourceTable) -> None:
        super().__init__(path)
        self._source = source
        self._raw: IO[bytes] | None = None
        head = self._read_head()
        self._encoding = source.encoding or next(
            (name for mark, name in _MARKS if head.startswith(mark)), "utf-8"
        )
        lines = self._lines(head)
        self._delimiter = source.delimiter
        if "delimiter" not in source.model_fields_set:
            start = lines[source.skip] if len(lines) > source.skip else ""
            self._delimiter = max(
                _DELIMITERS, key=lambda one: len(next(csv.reader([start], delimiter=one), []))
            )
        rows = list(csv.reader(lines, delimiter=self._delimiter))
        self._heading = Heading(path, rows, source)

    def position(self) -> int:
        return 0 if self._raw is None or self._raw.closed else self._raw.tell()

    def column(self, path: str) -> str:
        return self._heading.column(path)

    def records(self, wanted: Mapping[str, Sequence[Use]]) -> Iterator[Records]:
        """Yield the wanted columns. Raises InputError if the file cannot be read."""
        names = self._heading.unique
        first = self._heading.first_row
        try:
            file, self._raw = open_bytes(self.path)
            with self._raw, file:
                read = pacsv.open_csv(
                    file,
                    read_options=pacsv.ReadOptions(
                        column_names=names,
                        skip_rows=first - 1,
                        block_size=_BLOCK_BYTES,
                        use_threads=False,
                        encoding=self._encoding,
                    ),
                    parse_options=pacsv.ParseOptions(
                        delimiter=self._delimiter, invalid_row_handler=self._skip, newlines_in_values=False
                    ),
                    convert_options=pacsv.ConvertOptions(
                        include_columns=[*wanted],
                        column_types=dict.fromkeys(wanted, pa.string()),
                        null_values=[""],
                        strings_can_be_null=True,
                    ),
                )
                read_rows = 0
                for batch in read:
                    read_rows += batch.num_rows
                    columns = {name: Texts(batch.column(name)) for name in wanted}
                    yield Records(batch.num_rows, columns, first=first)
                    first = self._heading.first_row + read_rows + self.left_out.count["fields"]
        except (pa.ArrowException, OSError, EOFError, UnicodeError, LookupError) as error:
            raise self._not_readable(error) from None

    def _skip(self, row: Any) -> str:
        self.left_out.add(
            "fields",
            1,
            f"{row.actual_columns} fields where the heading has {row.expected_columns} ({row.text[:80]!r}); put "
            f"fields that contain {self._delimiter!r} in double quotes",
        )
        return "skip"

    def _read_head(self) -> bytes:
        file, raw = open_bytes(self.path)
        try:
            with raw, file:
                return file.read(_HEAD_BYTES)
        except (OSError, EOFError) as error:
            raise InputError(f"{self.path}: cannot be read ({error})") from None

    def _lines(self, head: bytes) -> list[str]:
        try:
            text = codecs.getincrementaldecoder(self._encoding)().decode(head)
        except (UnicodeError, LookupError) as error:
            raise self._not_readable(error) from None
        lines = io.StringIO(text.lstrip("\ufeff"), newline=None).read().split("\n")
        return lines[:-1] if len(head) == _HEAD_BYTES or not lines[-1] else lines

    def _not_readable(self, error: Exception) -> InputError:
        if isinstance(error, LookupError):
            return InputError(
                f"{self.path}: no encoding is named {self._source.encoding!r}; use one such as utf-8 or cp1252"
            )
        said = " ".join(str(error).split())[:160]
        remedy = (
            f'it is read as {self._encoding}: set `encoding`, such as "cp1252", if it is written in another'
        )
        return InputError(f"{self.path}: not a CSV file that can be read ({said}); {remedy}")


class ExcelLog(LogReader):
    """A sheet of an Excel file."""

    def __init__(self, path: Path, source: SourceTable) -> None:
        super().__init__(path)
        require_extra("excel", path)
        import python_calamine

        self._done = 0
        try:
            book = python_calamine.CalamineWorkbook.from_path(path)
            names = book.sheet_names
            sheet = source.sheet or (names[0] if names else "")
            # Rows are numbered as in the sheet, so empty rows at its top count.
            self._table: list[list[Any]] = (
                book.get_sheet_by_name(sheet).to_python(skip_empty_area=False) if sheet in names else []
            )
        except (python_calamine.CalamineError, OSError, ValueError) as error:
            raise InputError(
                f"{path}: not an Excel file that can be read ({error}); save it as .xlsx"
            ) from None
        if sheet not in names:
            listed = ", ".join(f"`{name}`" for name in names) or "none"
            raise InputError(f"{path}: no sheet `{sheet}`{close(sheet, names)}; there are: {listed}")
        self._heading = Heading(path, self._table, source)

    def position(self) -> int:
        return self._done

    def column(self, path: str) -> str:
        return self._heading.column(path)

    def records(self, wanted: Mapping[str, Sequence[Use]]) -> Iterator[Records]:
        """Yield the wanted columns."""
        places = {name: self._heading.unique.index(name) for name in wanted}
        first = self._heading.first_row
        rows = iter(self._table[first - 1 :])
        self._table = []
        size = self.path.stat().st_size
        while part := list(islice(rows, _EXCEL_ROWS)):
            columns = {name: cells([_cell(row[k]) for row in part]) for name, k in places.items()}
            yield Records(len(part), columns, first=first)
            first += len(part)
        self._done = size


def _cell(value: Any) -> Any:
    return None if value == "" else value
