"""A CSV table of samples: every field read as text, so that one bad field costs one row."""

import csv
from pathlib import Path
from typing import Any

import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.csv as pacsv  # type: ignore[import-untyped]  # ships no types

from strikewatch.errors import InputError
from strikewatch.intake.shift.events import read_events
from strikewatch.intake.shift.table import TableShift

_NOT_SAMPLED = ["", "null", "NULL", "NaN", "nan", "None"]


class CsvShift(TableShift):
    """`samples.csv`."""

    as_text = True

    def __init__(self, path: Path, events: Path | None) -> None:
        table, short = _read(path)
        super().__init__(table, str(path), path.resolve().parent.name, first_row=2)
        self.total += short
        if short:
            self.bad["fields"] += short
            self.examples["fields"] = f"{path}: rows with too few or too many fields"
        if events is not None:
            sites = {key[1]: key[0] for key in self.feeds()}
            known = next(iter(sites.values()), self._site)
            self.events, self.bad["event"] = read_events(
                events, lambda hammer: sites.get(hammer, known), self.examples
            )


def _read(path: Path) -> tuple[Any, int]:
    """The table, all text, and how many rows had a wrong number of fields."""
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            names = next(csv.reader(file), [])
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path}: not a CSV file in UTF-8 that can be read ({error})") from None
    if not names:
        raise InputError(f"{path}: the file is empty; the first line must name the columns (time,hammer,…)")
    short = 0

    def skip(_row: Any) -> str:
        nonlocal short
        short += 1
        return "skip"

    try:
        table = pacsv.read_csv(
            path,
            read_options=pacsv.ReadOptions(
                column_names=[name.strip() for name in names], skip_rows=1, use_threads=False
            ),
            parse_options=pacsv.ParseOptions(invalid_row_handler=skip),
            convert_options=pacsv.ConvertOptions(
                column_types={name.strip(): pa.string() for name in names},
                null_values=_NOT_SAMPLED,
                strings_can_be_null=True,
            ),
        )
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: not a CSV file in UTF-8 that can be read ({error})") from None
    return table, short
