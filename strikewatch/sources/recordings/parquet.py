"""A Parquet table of samples, read by row group, so that memory stays bounded; small row groups are read together."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types

from strikewatch.core import instant
from strikewatch.core.batch import Ints, Key, Rows
from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.core.instant import Instant
from strikewatch.errors import InputError
from strikewatch.sources.recordings.events import read_events
from strikewatch.sources.recordings.read_options import AS_IN_CONTRACT, ReadOptions
from strikewatch.sources.recordings.row_reader import PIECE_ROWS, PartReader, RowReader, named
from strikewatch.sources.recordings.shift import FEED_CHANNELS, Shift, present
from strikewatch.sources.recordings.times import NS_PER_UNIT, LastLocal, times

_RECORDED_IN_ORDER: Final = (b"strikewatch.feed", b"as it came")


class ParquetShift(Shift):
    """`samples.parquet`. If the statistics show that a row group has one hammer, the name columns are not read."""

    def __init__(self, path: Path, events: Path | None, options: ReadOptions = AS_IN_CONTRACT) -> None:
        super().__init__()
        self.place = str(path)
        self.options = options
        try:
            self._metadata = pq.read_metadata(path)
            self._schema = self._metadata.schema.to_arrow_schema()
            names = options.renamed(self._schema.names, self.place)
        except (pa.ArrowException, OSError) as error:
            raise InputError(
                f"{path}: not a Parquet file that can be read ({error}); record it again"
            ) from None
        self._written = dict(zip(names, self._schema.names, strict=True))
        self._who = [name for name in ("hammer", "site") if name in names]
        self._dictionaries = [self._written[name] for name in self._who]
        self.check_columns(names)
        self.check_names(names, self._schema.types)
        self.total = self._metadata.num_rows
        feed, recorded_in_order = _RECORDED_IN_ORDER
        self.recorded_in_order = (self._metadata.metadata or {}).get(feed) == recorded_in_order
        self._site = options.site or path.resolve().parent.name
        self._groups = range(self._metadata.num_row_groups)
        schema = self._metadata.schema
        index = {schema.column(i).path: i for i in range(len(schema))}
        self._index = {name: index[one] for name, one in self._written.items() if one in index}
        self._local = options.zone is not None
        self._names = [n for n in names if n in CHANNELS or n in ALIASES]
        self._feed_channels = [name for name in FEED_CHANNELS if name in self._names]
        # of parts with several hammers, once their times were read
        self._feeds: dict[int, dict[Key, set[str]]] = {}
        self._ends: tuple[Instant, Instant] | None = None
        # of each row group: to look into the statistics takes as long as to open the file
        self._only_hammers: dict[int, Key | None] = {}
        self._first_rows = [1]
        for group in self._groups:
            self._first_rows.append(self._first_rows[-1] + self._metadata.row_group(group).num_rows)
        self._parts = self._together()
        self.parts = len(self._parts)
        self._local_before = self._last_locals()
        if events is not None:
            self.in_folder = True
            self.events, self.bad["event"] = read_events(events, self._site_of, self.examples, options.zone)

    def pieces(self) -> Iterator[tuple[Key, Rows]]:
        for number in range(self.parts):
            yield from self.part(number)

    def part(self, number: int) -> Iterator[tuple[Key, Rows]]:
        pieces, counts = self.read_part(number)
        self.add_counts(counts)
        yield from pieces

    def read_part(self, number: int) -> tuple[list[tuple[Key, Rows]], RowReader]:
        groups = self._parts[number]
        key = self._only(groups.start)
        reader = self._reader(groups.start)
        table = self._read(groups, ["time", *self._names, *([] if key else self._who)])
        return list(reader.rows_of(table, self._site, self._first_rows[groups.start], key)), reader

    def extent(self, number: int) -> tuple[Key, int, Instant, Instant] | None:
        groups = self._parts[number]
        if not self.recorded_in_order or (key := self._only(groups.start)) is None:
            return None
        spans = [self._span(group) for group in groups]
        if (instant.EARLIEST, instant.LATEST) in spans:
            return None
        count = self._first_rows[groups.stop] - self._first_rows[groups.start]
        return key, count, min(first for first, _ in spans), max(last for _, last in spans)

    def times(self, number: int) -> Iterator[tuple[Key, Ints]]:
        groups = self._parts[number]
        key = self._only(groups.start)
        # of several hammers, the channels are noted: to read the names again would take as long as all of this
        columns = [] if key else [*self._feed_channels, *self._who]
        table = self._read(groups, ["time", *columns])
        feeds: dict[Key, set[str]] = {}
        for one, rows in self._reader(groups.start).rows_of(table, self._site, 1, key):
            if key is None:
                feeds.setdefault(one, set()).update(present(rows))
            yield one, rows.time_ns
        if key is None:
            self._feeds[number] = feeds

    def feeds(self) -> dict[Key, set[str]]:
        feeds: dict[Key, set[str]] = {}
        for number, groups in enumerate(self._parts):
            key = self._only(groups.start)
            if key is not None:
                has = feeds.setdefault(key, set())
                for group in groups:
                    has |= self._channels_of(
                        group, key, [name for name in self._feed_channels if name not in has]
                    )
                continue
            if number not in self._feeds:
                for _ in self.times(number):
                    pass
            for one, names in self._feeds[number].items():
                feeds.setdefault(one, set()).update(names)
        return feeds

    def _channels_of(self, group: int, key: Key, wanted: Sequence[str]) -> set[str]:
        """Return which of the wanted channels have a valid value in a row group of one hammer."""
        valid = {name: self._in_range(group, name) for name in wanted}
        if all(answer is not None for answer in valid.values()):
            return {name for name, answer in valid.items() if answer}
        table = self._read([group], ["time", *wanted])
        read = self._reader(group).rows_of(table, self._site, 1, key)
        return {name for _, rows in read for name in present(rows)}

    def span(self) -> tuple[Instant, Instant]:
        """Return the first and last instant from the statistics; the whole time range without them."""
        if self._ends is None:
            spans = [self._span(group) for group in self._groups]
            self._ends = (
                min((start for start, _ in spans), default=0),
                max((end for _, end in spans), default=0),
            )
        return self._ends

    def near(self, key: Key, begin: Instant, end: Instant) -> Iterator[tuple[Key, Rows]]:
        """Yield the row groups that may contain the hammer's rows of that time, by their statistics."""
        for group in self._groups:
            only = self._only(group)
            first, last = self._span(group)
            if (only is None or only == key) and first < end and begin <= last:
                table = self._read([group], ["time", *self._names, *([] if only else self._who)])
                yield from self._reader(group).rows_of(table, self._site, 1, only)

    def _last_locals(self) -> list[LastLocal]:
        """Return the last local row before each row group; none if times have offsets or all are in one group.

        Only in the order of the rows is it known which of two hours a local time is in that occurs twice.
        """
        kind = self._schema.field(self._written["time"]).type
        has_offset = pa.types.is_timestamp(kind) and kind.tz is not None
        if self.options.zone is None or len(self._groups) < 2 or has_offset:
            return []
        found, last = [], LastLocal()
        for group in self._groups:
            found.append(replace(last))
            times(self._read([group], ["time"])["time"], self.options.zone, self.place, last)
        return found

    def _reader(self, group: int) -> PartReader:
        """Return a reader for a row group."""
        last = replace(self._local_before[group]) if self._local_before else None
        return PartReader(self.place, self.options, last)

    def _span(self, group: int) -> tuple[Instant, Instant]:
        """Return the first and last instant of a row group; the whole time range without statistics."""
        s, kind = self._statistics(group, "time"), self._schema.field(self._written["time"]).type
        # statistics of times without a zone are not instants
        if s is None or not s.has_min_max or not pa.types.is_timestamp(kind) or self._local:
            return instant.EARLIEST, instant.LATEST
        factor = NS_PER_UNIT[kind.unit]
        return s.min_raw * factor, s.max_raw * factor

    def _together(self) -> list[range]:
        """Return the row groups of each part: one, or small ones of the same hammer up to PIECE_ROWS rows."""
        parts: list[range] = []
        for group in self._groups:
            begin = parts[-1].start if parts else group
            count = self._first_rows[group + 1] - self._first_rows[begin]
            if begin < group and count <= PIECE_ROWS and self._only(begin) == self._only(group):
                parts[-1] = range(begin, group + 1)
            else:
                parts.append(range(group, group + 1))
        return parts

    def _read(self, groups: Sequence[int], columns: Sequence[str]) -> Any:
        try:
            written = [self._written[name] for name in columns]
            # A reader of its own, as other threads may read other row groups; closed, as recordings may be thousands.
            # Reading ahead in threads of Arrow would only take time from those that read other parts.
            file = pq.ParquetFile(
                self.place, metadata=self._metadata, read_dictionary=self._dictionaries, pre_buffer=False
            )
            with file:
                table = file.read_row_groups(groups, columns=written, use_threads=False)
        except (pa.ArrowException, OSError) as error:
            if len(groups) > 1:  # find the damaged one
                return pa.concat_tables([self._read([group], columns) for group in groups])
            raise InputError(
                f"{self.place}: row group {groups[0]} is damaged ({error}); record it again"
            ) from None
        known = {column: name for name, column in self._written.items()}
        return table.rename_columns([known[name] for name in table.column_names])

    def _statistics(self, group: int, name: str) -> Any:
        return self._metadata.row_group(group).column(self._index[name]).statistics

    def _only(self, group: int) -> Key | None:
        """Return the only hammer of a row group; None if there are several, or without statistics."""
        if group not in self._only_hammers:
            self._only_hammers[group] = self._find_only(group)
        return self._only_hammers[group]

    def _find_only(self, group: int) -> Key | None:
        found = {"site": self._site} | ({"hammer": self.options.hammer} if self.options.hammer else {})
        if "hammer" not in self._who and "hammer" not in found:
            return None
        for name in self._who:
            s = self._statistics(group, name)
            if s is None or not s.has_min_max or s.null_count or s.min != s.max or not named(s.min):
                return None
            found[name] = named(s.min)
        return found["site"], found["hammer"]

    def _in_range(self, group: int, name: str) -> bool | None:
        """Tell whether a channel has a valid value in a row group of one hammer; None: it must be read."""
        s = self._statistics(group, name)
        if s is None or not s.has_null_count:
            return None
        if s.null_count == self._metadata.row_group(group).num_rows:
            return False
        if not s.has_min_max or isinstance(s.min, str | bytes):
            return None
        channel = CHANNELS[name]
        return True if channel.low <= s.min and s.max <= channel.high else None

    def _site_of(self, hammer: str) -> str:
        """Return the site of a hammer that the events name."""
        for group in self._groups if "site" in self._who else ():
            key = self._only(group)
            if key is not None and key[1] == hammer:
                return key[0]
            if key is None:
                table = self._read([group], self._who)
                keys = {
                    (named(s), named(h))
                    for s, h in zip(table["site"].to_pylist(), table["hammer"].to_pylist(), strict=True)
                }
                for site, one in keys:
                    if one == hammer:
                        return site or self._site
        if "site" in self._who and self._groups and (key := self._only(0)) is not None:
            return key[0]
        return self._site
