"""One table of samples → rows by hammer. A column of a wrong kind is unusable; a bad row is set apart and counted."""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.compute as pc  # type: ignore[import-untyped]  # ships no types

from strikewatch.errors import InputError
from strikewatch.model import instant
from strikewatch.model.batch import NO_ROWS, Floats, Ints, Key, Rows
from strikewatch.model.channels import ALIASES, CHANNELS
from strikewatch.model.events import Event
from strikewatch.model.instant import SECOND, Instant

Bools = npt.NDArray[np.bool_]
FEED_CHANNELS: Final = ("active", "engine_rpm", "tool_x_m", "tool_y_m")
"""Channels whose mere presence in a feed changes how it is read."""

PIECE_ROWS: Final = 131_072
"""Rows handed on at once: as many as a processor's cache holds of a few columns."""

NS_PER_UNIT: Final = {"s": SECOND, "ms": 1_000_000, "us": 1_000, "ns": 1}


class Shift:
    """A recorded shift, opened. `place` names it in messages; `total` is its number of rows."""

    place: str
    total: int
    as_text = False
    """Channels are written as text, as in CSV; elsewhere text in a channel is a mistake."""

    as_it_came = False
    """Rows of our own recording: already admitted, and read as they came."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self.bad: Counter[str] = Counter()
        self.examples: dict[str, str] = {}
        self.ignored: set[str] = set()

    def pieces(self) -> Iterator[tuple[Key, Rows]]:
        """The rows in the order of the table, a hammer at a time, at most PIECE_ROWS each."""
        raise AssertionError("each kind of shift has its own")

    def feeds(self) -> dict[Key, set[str]]:
        """Which of FEED_CHANNELS each hammer's feed has."""
        raise AssertionError("each kind of shift has its own")

    def span(self) -> tuple[Instant, Instant]:
        """Its first and last instant."""
        ends = [(int(rows.time_ns.min()), int(rows.time_ns.max())) for _, rows in self.pieces() if len(rows)]
        return min((first for first, _ in ends), default=0), max((last for _, last in ends), default=0)

    def between(self, key: Key, begin: Instant, end: Instant) -> Rows:
        """A hammer's rows in [begin, end), in the order of time, each instant once."""
        found = (rows for one, rows in self.near(key, begin, end) if one == key)
        parts = [rows[(rows.time_ns >= begin) & (rows.time_ns < end)] for rows in found]
        if not any(map(len, parts)):
            return NO_ROWS
        rows = Rows.join(parts)
        return rows[np.unique(rows.time_ns, return_index=True)[1]]

    def near(self, key: Key, begin: Instant, end: Instant) -> Iterator[tuple[Key, Rows]]:
        """Pieces that hold all of a hammer's rows in [begin, end), and maybe others."""
        del key, begin, end
        return self.pieces()

    def note_bad(self, reason: str, mask: Bools, first_row: int) -> None:
        """Count bad rows and remember where the first of each kind is."""
        n = int(mask.sum())
        if n:
            self.bad[reason] += n
            self.examples.setdefault(reason, f"{self.place}: row {first_row + int(mask.argmax())}")

    def check_columns(self, names: Sequence[str]) -> None:
        """Raises InputError where a column that must be there is not, or one is there twice."""
        for name in ("time", "hammer"):
            if name not in names:
                raise InputError(
                    f"{self.place}: column `{name}` is missing; a recorded shift has `time`, `hammer` and channels "
                    f"such as `active`, `pressure_bar`, `oil_c` (found: {', '.join(map(str, names)) or 'nothing'})"
                )
        twice = [name for name, n in Counter(names).items() if n > 1]
        for alias, (channel, _) in ALIASES.items():
            if alias in names and channel in names:
                twice.append(f"{channel}` and `{alias}")
        if twice:
            raise InputError(f"{self.place}: column `{twice[0]}` is given twice; keep one")
        known = {"time", "hammer", "site", *CHANNELS, *ALIASES}
        self.ignored |= {name for name in names if name not in known}

    def rows_of(
        self, table: Any, site: str, first_row: int, key: Key | None = None
    ) -> Iterator[tuple[Key, Rows]]:
        """Rows of a table by hammer. `first_row`: number of its first row in messages. `key`: if all are of one."""
        time_ns, bad_time = _times(table["time"], self.place)
        self.note_bad("time", bad_time, first_row)
        bad = bad_time.copy()
        columns: dict[str, Floats] = {}
        for name in table.column_names:
            channel, convert = ALIASES.get(name, (name, None))
            if channel not in CHANNELS:
                continue
            values, wrong = _floats(table[name], name, CHANNELS[channel].boolean, self.as_text, self.place)
            if wrong is not None:
                self.note_bad(name, wrong, first_row)
                bad |= wrong
            columns[channel] = convert(values) if convert else values
        rows = Rows(time_ns, columns)
        if key is not None:
            yield from _cut(key, rows[~bad] if bad.any() else rows)
            return
        keys, codes, nameless = _keys(table, site)
        self.note_bad("hammer", nameless, first_row)
        bad |= nameless
        if bad.any():
            rows, codes = rows[~bad], codes[~bad]
        if len(keys) == 1:
            yield from _cut(keys[0], rows)
            return
        order = np.argsort(codes, kind="stable")
        bounds = np.searchsorted(codes[order], np.arange(len(keys) + 1))
        for code, one in enumerate(keys):
            part = order[bounds[code] : bounds[code + 1]]
            if len(part):
                yield from _cut(one, rows[part])


class TableShift(Shift):
    """A shift that lies in memory: a frame, or a text file once read."""

    def __init__(self, table: Any, place: str, site: str, first_row: int = 1) -> None:
        super().__init__()
        self.place = place
        self.check_columns(table.column_names)
        self.total = table.num_rows
        self._table = table
        self._site = site
        self._first_row = first_row
        self._pieces: list[tuple[Key, Rows]] | None = None

    def pieces(self) -> Iterator[tuple[Key, Rows]]:
        if self._pieces is None:
            self._pieces = list(self.rows_of(self._table, self._site, self._first_row))
        return iter(self._pieces)

    def feeds(self) -> dict[Key, set[str]]:
        feeds: dict[Key, set[str]] = {}
        for key, rows in self.pieces():
            feeds.setdefault(key, set()).update(present(rows))
        return feeds


def present(rows: Rows) -> set[str]:
    """Which of FEED_CHANNELS have a possible value in these rows."""
    found = set()
    for name in FEED_CHANNELS:
        column = rows.columns.get(name)
        channel = CHANNELS[name]
        if column is not None and ((column >= channel.low) & (column <= channel.high)).any():
            found.add(name)
    return found


def _cut(key: Key, rows: Rows) -> Iterator[tuple[Key, Rows]]:
    for start in range(0, len(rows), PIECE_ROWS):
        yield key, rows[start : start + PIECE_ROWS]


def _times(column: Any, place: str) -> tuple[Ints, Bools]:
    """Instants [n] int64 ns, and which rows have none that can be used."""
    column = _plain(column)
    kind = column.type
    if _is_text(kind):
        return _parsed_times(column)
    if not pa.types.is_timestamp(kind):
        raise InputError(
            f"{place}: column `time` holds {kind}; write timestamps in UTC (or RFC 3339 text in CSV)"
        )
    factor = NS_PER_UNIT[kind.unit]
    whole = pc.fill_null(column.cast(pa.int64()), -1).to_numpy()
    bad = (whole < instant.EARLIEST) | (whole >= instant.LATEST // factor)
    if factor == 1:
        return whole, bad
    return np.where(bad, 0, whole) * factor, bad


def _parsed_times(column: Any) -> tuple[Ints, Bools]:
    """RFC 3339 text; one form of it in bulk, others and the broken ones one by one."""
    plain = pc.fill_null(
        pc.match_substring_regex(column, r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(\.\d{1,9})?Z$"), False
    )
    times = np.zeros(len(column), np.int64)
    bad = np.zeros(len(column), bool)
    if pc.all(plain).as_py():
        try:
            whole = column.cast(pa.timestamp("ns", "UTC")).cast(pa.int64()).to_numpy()
        except pa.ArrowInvalid:
            pass  # an impossible date among them: find it below
        else:
            return whole, (whole < instant.EARLIEST) | (whole >= instant.LATEST)
    for i, text in enumerate(column.to_pylist()):
        try:
            times[i] = at = instant.parse((text or "").strip())
            bad[i] = not instant.EARLIEST <= at < instant.LATEST
        except (ValueError, OverflowError):
            bad[i] = True
    return times, bad


def _plain(column: Any) -> Any:
    """The column with its dictionary, if it has one, resolved."""
    return column.cast(column.type.value_type) if pa.types.is_dictionary(column.type) else column


def _is_text(kind: Any) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _floats(column: Any, name: str, boolean: bool, as_text: bool, place: str) -> tuple[Floats, Bools | None]:
    """Values [n] float64 with NaN where not sampled, and which rows hold something that is no value (None: none)."""
    column = _plain(column)
    kind = column.type
    if pa.types.is_null(kind):
        return np.full(len(column), np.nan), None
    if pa.types.is_boolean(kind):
        column = column.cast(pa.uint8())
    elif as_text and _is_text(kind):
        return _parsed_floats(column, boolean)
    elif not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)):
        raise InputError(
            f"{place}: column `{name}` holds {kind}; write numbers (true or false for a yes-or-no channel)"
        )
    return np.ascontiguousarray(column.cast(pa.float64(), safe=False).to_numpy(), np.float64), None


_WORDS: Final = {"true": 1.0, "false": 0.0, "1": 1.0, "0": 0.0, "1.0": 1.0, "0.0": 0.0}


def _parsed_floats(column: Any, boolean: bool) -> tuple[Floats, Bools | None]:
    if not boolean:
        try:
            return column.cast(pa.float64()).to_numpy(), None
        except pa.ArrowInvalid:
            pass  # something that is no number among them: find it below
    values = np.full(len(column), np.nan)
    bad = np.zeros(len(column), bool)
    for i, text in enumerate(column.to_pylist()):
        if text is None:
            continue
        try:
            values[i] = _WORDS[text.strip().lower()] if boolean else float(text)
        except (KeyError, ValueError):
            bad[i] = True
    return values, bad if bad.any() else None


def _keys(table: Any, site: str) -> tuple[list[Key], Ints, Bools]:
    """The hammers in a table, which of them each row [n] is of, and which rows name none."""
    codes, hammers = _codes(table["hammer"])
    nameless = codes < 0
    if "site" not in table.column_names:
        return [(site, hammer) for hammer in hammers], codes, nameless
    if not hammers:
        return [], codes, nameless
    site_codes, sites = _codes(table["site"])
    if site not in sites:
        sites.append(site)
    site_codes = np.where(site_codes < 0, sites.index(site), site_codes)
    pairs, both = np.unique(site_codes * len(hammers) + np.maximum(codes, 0), return_inverse=True)
    keys = [(sites[p // len(hammers)], hammers[p % len(hammers)]) for p in pairs.tolist()]
    return keys, both.astype(np.int64), nameless


def _codes(column: Any) -> tuple[Ints, list[str]]:
    """Names as numbers [n], -1 for none, and the names."""
    if isinstance(column, pa.ChunkedArray):
        column = column.combine_chunks()
        if isinstance(column, pa.ChunkedArray):
            column = pa.concat_arrays(column.chunks) if column.num_chunks else pa.array([], pa.string())
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    codes = pc.fill_null(column.indices.cast(pa.int64()), -1).to_numpy(zero_copy_only=False)
    names: dict[str, int] = {}
    own = [named(name) for name in column.dictionary.to_pylist()]
    final = np.array([names.setdefault(name, len(names)) if name else -1 for name in own] + [-1], np.int64)
    return final[codes], list(names)


def named(told: Any) -> str:
    """The name of a hammer or site as a table tells it, blanks around it left out; empty for none."""
    return "" if told is None else str(told).strip()
