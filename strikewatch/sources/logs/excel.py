"""Excel files (.xlsx, .xls, .xlsb, .ods), read by calamine (the extra `excel`).

A sheet is held in memory; the format has at most 1,048,576 rows.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import Any, Final

from strikewatch.errors import InputError
from strikewatch.sources.logs.channels import Use
from strikewatch.sources.logs.heading import Heading
from strikewatch.sources.logs.reader import LogReader, needs
from strikewatch.sources.logs.records import Records, cells
from strikewatch.sources.mapping.tables import SourceTable, close

_ROWS: Final = 65_536


class ExcelLog(LogReader):
    """A sheet of an Excel file."""

    def __init__(self, path: Path, source: SourceTable) -> None:
        super().__init__(path)
        needs("excel", path)
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
        while part := list(islice(rows, _ROWS)):
            columns = {name: cells([_cell(row[k]) for row in part]) for name, k in places.items()}
            yield Records(len(part), columns, first=first)
            first += len(part)
        self._done = size


def _cell(value: Any) -> Any:
    return None if value == "" else value
