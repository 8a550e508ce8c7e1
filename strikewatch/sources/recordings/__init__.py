"""Recorded shifts: a folder, one file, or a frame → pieces of rows by hammer, and events.

shift.py       an open shift                            parquet.py       row group by row group
row_reader.py  tables → rows; bad ones counted          csv.py           text → a table
columns.py     cells → numbers                          events.py        `events.jsonl`
times.py       times → instants                         read_options.py  tables in another layout
clocks.py      finds rows with a wrong clock            frames.py        frames of pandas
merge.py       many shifts in time order
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Final

from strikewatch.errors import InputError
from strikewatch.sources.recordings.csv import CsvShift
from strikewatch.sources.recordings.parquet import ParquetShift
from strikewatch.sources.recordings.read_options import AS_IN_CONTRACT, ReadOptions
from strikewatch.sources.recordings.shift import Shift, TableShift

__all__ = ["ReadOptions", "Shift", "TableShift", "open_shifts", "shift_folders"]

SAMPLES: Final = ("samples.parquet", "samples.csv")
_KINDS: Final[dict[str, type[ParquetShift] | type[CsvShift]]] = {".parquet": ParquetShift, ".csv": CsvShift}
MAX_CSV_BYTES: Final = 256 * 1024 * 1024
"""CSV files of a folder are held in memory up to this size in all: rows take about three times as much."""
_REMEDY: Final = "give a folder with samples.parquet or samples.csv, or one .parquet or .csv file"


def open_shifts(path: Path, options: ReadOptions = AS_IN_CONTRACT) -> list[Shift]:
    """Open the shifts at a path: one file, one folder, or a folder of such folders, in the order of their names.

    `merge` puts their rows in time order.

    Raises InputError, naming the place and the remedy.
    """
    if path.is_file():
        kind = _KINDS.get(path.suffix.lower())
        if kind is None:
            raise InputError(f"{path}: this type of file cannot be replayed; {_REMEDY}")
        return [kind(path, None, options)]
    if not path.is_dir():
        raise InputError(f"{path}: no such file or folder; {_REMEDY}")
    shifts = list(_inside(path, options))
    if not shifts:
        raise InputError(f"{path}: no recorded shift in this folder; {_REMEDY}")
    return shifts


def _inside(folder: Path, options: ReadOptions) -> Iterator[Shift]:
    found = [samples for inner in shift_folders(folder) for samples in _samples_in(inner)]
    keep = sum(samples.stat().st_size for samples in found if samples.suffix == ".csv") <= MAX_CSV_BYTES
    for samples in found:
        events = samples.with_name("events.jsonl")
        if samples.suffix == ".csv":
            yield CsvShift(samples, events, options, keep=keep or len(found) == 1)
        else:
            yield ParquetShift(samples, events, options)


def shift_folders(folder: Path) -> Iterator[Path]:
    """Yield a folder that holds a shift, or else those in its subfolders; names that begin with a dot are skipped."""
    if _samples_in(folder):
        yield folder
        return
    for inner in sorted(folder.iterdir()):
        if inner.is_dir() and not inner.name.startswith("."):
            yield from shift_folders(inner)


def _samples_in(folder: Path) -> list[Path]:
    """Return the file of samples in a folder, if it has one."""
    found = [folder / name for name in SAMPLES if (folder / name).is_file()]
    if len(found) > 1:
        raise InputError(f"{folder}: both {' and '.join(SAMPLES)} exist; keep one of them")
    return found
