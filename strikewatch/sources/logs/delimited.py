"""CSV logs, in parts: any delimiter and encoding, lines before the heading, numbers with a decimal comma."""

import codecs
import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO, Any, Final

import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.csv as pacsv  # type: ignore[import-untyped]  # ships no types

from strikewatch.errors import InputError
from strikewatch.sources.logs.channels import Use
from strikewatch.sources.logs.frames import open_bytes
from strikewatch.sources.logs.heading import Heading
from strikewatch.sources.logs.reader import LogReader
from strikewatch.sources.logs.records import Records, Texts
from strikewatch.sources.mapping.tables import SourceTable

_BLOCK_BYTES: Final = 1 << 20
"""Arrow reads up to 32 blocks ahead."""
_HEAD_BYTES: Final = 1 << 16
_DELIMITERS: Final = ",;\t|"
_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


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
                    first = self._heading.first_row + read_rows + self.left.count["fields"]
        except (pa.ArrowException, OSError, EOFError, UnicodeError, LookupError) as error:
            raise self._not_readable(error) from None

    def _skip(self, row: Any) -> str:
        self.left.add(
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
