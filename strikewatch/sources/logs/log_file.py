"""The files of one log: open each by its content, place its times, and map its records to rows."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final

from strikewatch.core.batch import Key, Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import InputError
from strikewatch.sources.logs.clock import LogClock
from strikewatch.sources.logs.dbc import Database
from strikewatch.sources.logs.mapper import LogMapper
from strikewatch.sources.logs.reader import LogReader, open_bytes
from strikewatch.sources.logs.records import Account
from strikewatch.sources.mapping.tables import SourceTable

_MDF: Final = (b"MDF     ", b"UnFinMF ")
_EXCEL: Final = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
_UNDATED: Final = 366 * 86_400 * SECOND
"""Instants before this count from the start of a log, not from 1970."""


class LogSet:
    """The files of one log, in order: they share the DBC files, the clock and the start.

    `folder`: where the paths of DBC files begin. `start`: when the log began, for times that count from zero, or when
    its first record was made, for a clock that was not set.
    """

    def __init__(self, source: SourceTable, folder: Path, start: Instant | None = None) -> None:
        assert source.time is not None  # checked with the table
        self.source: Final = source
        self.clock: Final = LogClock(source.time)
        self.start: Final = start
        self._dbc = [folder / name for name in source.dbc]
        self._database: Database | None = None
        self._shift: int | None = None
        self._files = 0

    def open(self, path: Path) -> "LogFile":
        """Open the next file. Raises InputError."""
        self._files += 1
        reader = self._reader(path)
        try:
            return LogFile(path, self, reader)
        except BaseException:
            reader.close()
            raise

    def check(self) -> list[str]:
        """Return which CAN messages were in no file. Raises InputError if none of the wanted ones was."""
        if self._database is None:
            return []
        unmatched = list(self._database.unmatched())
        if unmatched and len(unmatched) == len(self._database.messages):
            raise InputError(f"{self._database.place}: does not fit the log: {'; '.join(unmatched)}")
        return unmatched

    def shift_ns(self, first: Instant, path: Path, *, dated: bool) -> int:
        """Return what to add to the times of a file whose first is `first`. Raises InputError."""
        if dated:
            if self._shift is None:
                self._shift = 0 if self.start is None else self.start - first
            return self._shift
        if self.start is None:
            raise InputError(
                f"{path}: has no date, its times count from its start: say when that was, such as "
                "--start 2026-03-04T07:15:00+01:00"
            )
        if self._files > 1:
            raise InputError(
                f"{path}: has no date, and --start is of one file; convert such files one by one"
            )
        return self.start

    def _reader(self, path: Path) -> LogReader:
        file, raw = open_bytes(path)
        with raw, file:
            try:
                head = file.read(64)
            except (OSError, EOFError) as error:
                raise InputError(f"{path}: cannot be read ({error})") from None
        if not head:
            raise InputError(f"{path}: the file is empty")
        if self.source.payload == "can":
            from strikewatch.sources.logs.can_signals import CanReader

            if self._database is None:
                self._database = Database.load(self._dbc, self.source.j1939)
            return CanReader(path, self._database, head)
        if head.startswith(_MDF):
            from strikewatch.sources.logs.mdf import MdfLog

            return MdfLog(path)
        if head.startswith(_EXCEL):
            from strikewatch.sources.logs.tables import ExcelLog

            return ExcelLog(path, self.source)
        from strikewatch.sources.logs.tables import DelimitedLog

        return DelimitedLog(path, self.source)


class LogFile:
    """An open file of a log."""

    def __init__(self, path: Path, logs: LogSet, reader: LogReader) -> None:
        self.path: Final = path
        self._logs, self._reader = logs, reader
        time = logs.source.time
        if reader.own_times != (time is not None and time.form == "log"):
            raise InputError(
                f'{path}: has times of its own; set time = {{ as = "log" }}, with the zone of the logger'
                if reader.own_times
                else f'{path}: is a table; name its column of times, like time = {{ at = "@.time", as = "iso" }}'
            )
        self._mapper = LogMapper(logs.source, logs.clock, reader.column, str(path), reader.names)
        self.account: Final[Account] = self._mapper.account

    def position(self) -> int:
        """Return the number of bytes read."""
        return self._reader.position()

    def rows(self) -> Iterator[tuple[Key, Rows]]:
        """Yield the rows by hammer, in the order of the file, then close it. Raises InputError."""
        try:
            yield from self._rows()
        finally:
            self._reader.close()

    def _rows(self) -> Iterator[tuple[Key, Rows]]:
        reader, mapper = self._reader, self._mapper
        shift: int | None = None
        wanted = {name: mapper.uses(name) for name in mapper.wanted()}
        for records in reader.records(wanted):
            own_times = records.time_ns
            if own_times is not None and len(own_times):
                if shift is None:
                    shift = self._start(int(own_times.min()))
                records = replace(records, time_ns=own_times + shift)
            for key, rows in mapper.rows(records):
                if own_times is not None or not len(rows):
                    yield key, rows
                    continue
                first = int(rows.time_ns.min())
                if shift is None:
                    shift = self._logs.shift_ns(first, self.path, dated=first >= _UNDATED)
                yield key, Rows(rows.time_ns + shift, rows.columns) if shift else rows
        self.account.add(reader.left_out, reader.passed_over)

    def _start(self, first: Instant) -> int:
        """Return what to add to the times that a log counts."""
        logs, reader = self._logs, self._reader
        if reader.absolute:
            return logs.shift_ns(first, self.path, dated=True)
        if reader.wall_start_ns is None or logs.start is not None:
            return logs.shift_ns(first, self.path, dated=False)
        return logs.clock.start(reader.wall_start_ns, str(self.path))
