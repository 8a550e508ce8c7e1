"""The signals of a CAN log, decoded by DBC files."""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

from strikewatch.errors import InputError
from strikewatch.sources.logs.channels import Use
from strikewatch.sources.logs.dbc import Database
from strikewatch.sources.logs.reader import LogReader, open_can_log
from strikewatch.sources.logs.records import Records
from strikewatch.sources.mapping import paths
from strikewatch.sources.mapping.tables import ChannelTable

_FIELDS: Final = ("id", "pgn", "sa", "bus")


class CanReader(LogReader):
    """Reads a CAN log. A record is a frame of one message: its signals, and the fields of a frame."""

    own_times = True

    def __init__(self, path: Path, database: Database, head: bytes) -> None:
        super().__init__(path)
        self._log = open_can_log(path, head)
        self._database = database
        self.left_out, self.passed_over = self._log.left_out, self._log.passed_over
        self.names = database.names()

    def column(self, path: str) -> str:
        root, steps = paths.parse(path)
        if root != "@" or len(steps) != 1 or steps[0] not in _FIELDS:
            raise InputError(
                f"{path}: a CAN frame has @.id, @.pgn, @.sa (source address) and @.bus; a signal is `named`"
            )
        return str(steps[0])

    def close(self) -> None:
        self._log.close()

    def position(self) -> int:
        return self._log.position()

    def records(self, wanted: Mapping[str, Sequence[Use]]) -> Iterator[Records]:
        self._database.keep(wanted)
        # Where the table names words, the texts of the DBC are meant, not its numbers.
        words = {name for name, uses in wanted.items() if any(_names_words(use.table) for use in uses)}
        first = 1
        for frames in self._log.chunks():
            self.absolute, self.wall_start_ns = self._log.absolute, self._log.wall_start_ns
            described = 0
            for records in self._database.records(frames, first, frozenset(words)):
                described += records.n
                yield records
            first += len(frames)
            if len(frames) > described:
                self.passed_over["frames of other messages"] += len(frames) - described


def _names_words(table: ChannelTable) -> bool:
    """Tell whether a channel's table names values by words."""
    return any(isinstance(value, str) for value in (*table.on, *table.off, *table.missing))
