"""A Parquet table of samples, row group by row group, so that memory stays bounded whatever its length."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types

from strikewatch.errors import InputError
from strikewatch.intake.shift.events import read_events
from strikewatch.intake.shift.table import FEED_CHANNELS, NS_PER_UNIT, Shift, named, present
from strikewatch.model import instant
from strikewatch.model.batch import Key, Rows
from strikewatch.model.channels import ALIASES, CHANNELS
from strikewatch.model.instant import Instant

_AS_IT_CAME: Final = (b"strikewatch.feed", b"as it came")


class ParquetShift(Shift):
    """`samples.parquet`. A row group of one hammer, known by its statistics, is read without its names."""

    def __init__(self, path: Path, events: Path | None) -> None:
        super().__init__()
        self.place = str(path)
        try:
            names = pq.read_schema(path).names
            who = [name for name in ("hammer", "site") if name in names]
            self._file = pq.ParquetFile(path, read_dictionary=who)
        except (pa.ArrowException, OSError) as error:
            raise InputError(
                f"{path}: not a Parquet file that can be read ({error}); record it again"
            ) from None
        self.check_columns(names)
        self.total = self._file.metadata.num_rows
        feed, as_it_came = _AS_IT_CAME
        self.as_it_came = (self._file.metadata.metadata or {}).get(feed) == as_it_came
        self._site = path.resolve().parent.name
        schema = self._file.schema
        self._index = {schema.column(i).path: i for i in range(len(schema))}
        self._names = [n for n in names if n in CHANNELS or n in ALIASES]
        self._who = who
        self._ends: tuple[Instant, Instant] | None = None
        if events is not None:
            self.events, self.bad["event"] = read_events(events, self._site_of, self.examples)

    def pieces(self) -> Iterator[tuple[Key, Rows]]:
        row = 1
        for group in range(self._file.num_row_groups):
            key = self._only(group)
            columns = ["time", *self._names, *([] if key else self._who)]
            table = self._read(group, columns)
            yield from self.rows_of(table, self._site, row, key)
            row += table.num_rows

    def feeds(self) -> dict[Key, set[str]]:
        feeds: dict[Key, set[str]] = {}
        wanted = [name for name in FEED_CHANNELS if name in self._names]
        for group in range(self._file.num_row_groups):
            key = self._only(group)
            if key is not None:
                missing = [name for name in wanted if name not in feeds.setdefault(key, set())]
                told = {name: self._in_range(group, name) for name in missing}
                if all(answer is not None for answer in told.values()):
                    feeds[key].update(name for name, answer in told.items() if answer)
                    continue
            table = self._read(group, ["time", *wanted, *self._who])
            for one, rows in Shift.rows_of(_Silent(self.place), table, self._site, 1, key):
                feeds.setdefault(one, set()).update(present(rows))
        return feeds

    def span(self) -> tuple[Instant, Instant]:
        """Its first and last instant by its statistics; all of time where they do not say."""
        if self._ends is None:
            spans = [self._span(group) for group in range(self._file.num_row_groups)]
            self._ends = min((one[0] for one in spans), default=0), max((one[1] for one in spans), default=0)
        return self._ends

    def near(self, key: Key, begin: Instant, end: Instant) -> Iterator[tuple[Key, Rows]]:
        """Row groups that by their statistics may hold the hammer's rows of that time."""
        for group in range(self._file.num_row_groups):
            only = self._only(group)
            first, last = self._span(group)
            if (only is None or only == key) and first < end and begin <= last:
                table = self._read(group, ["time", *self._names, *([] if only else self._who)])
                yield from Shift.rows_of(_Silent(self.place), table, self._site, 1, only)

    def _span(self, group: int) -> tuple[Instant, Instant]:
        """The first and last instant of a row group; all of time where it does not say."""
        s, kind = self._statistics(group, "time"), self._file.schema_arrow.field("time").type
        if s is None or not s.has_min_max or not pa.types.is_timestamp(kind):
            return instant.EARLIEST, instant.LATEST
        factor = NS_PER_UNIT[kind.unit]
        return s.min_raw * factor, s.max_raw * factor

    def _read(self, group: int, columns: list[str]) -> Any:
        try:
            return self._file.read_row_group(group, columns=columns, use_threads=False)
        except (pa.ArrowException, OSError) as error:
            raise InputError(
                f"{self.place}: row group {group} is damaged ({error}); record it again"
            ) from None

    def _statistics(self, group: int, name: str) -> Any:
        return self._file.metadata.row_group(group).column(self._index[name]).statistics

    def _only(self, group: int) -> Key | None:
        """The one hammer of a row group, or None where there are several, or it cannot be told."""
        found = {"site": self._site}
        for name in self._who:
            s = self._statistics(group, name)
            if s is None or not s.has_min_max or s.null_count or s.min != s.max or not named(s.min):
                return None
            found[name] = named(s.min)
        return found["site"], found["hammer"]

    def _in_range(self, group: int, name: str) -> bool | None:
        """Whether a channel has a possible value in a row group of one hammer; None where it must be read."""
        s = self._statistics(group, name)
        if s is None or not s.has_null_count:
            return None
        if s.null_count == self._file.metadata.row_group(group).num_rows:
            return False
        if not s.has_min_max:
            return None
        channel = CHANNELS[name]
        return True if channel.low <= s.min and s.max <= channel.high else None

    def _site_of(self, hammer: str) -> str:
        """The site of a hammer named in the events."""
        for group in range(self._file.num_row_groups) if "site" in self._who else ():
            key = self._only(group)
            if key is not None and key[1] == hammer:
                return key[0]
            if key is None:
                table = self._read(group, self._who)
                keys = {
                    (named(s), named(h))
                    for s, h in zip(table["site"].to_pylist(), table["hammer"].to_pylist(), strict=True)
                }
                for site, one in keys:
                    if one == hammer:
                        return site or self._site
        if "site" in self._who and self._file.num_row_groups and (key := self._only(0)) is not None:
            return key[0]
        return self._site


class _Silent(Shift):
    """Stands in for a shift where bad rows have been, or will be, counted elsewhere."""

    def __init__(self, place: str) -> None:
        super().__init__()
        self.place = place
