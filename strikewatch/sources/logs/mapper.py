"""Map records of a logger file to rows and events of hammers, by a source's table."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import chain
from typing import Final

import numpy as np

from strikewatch.core.batch import Floats, Ints, Key, Rows
from strikewatch.core.events import COMMON_FIELDS, KINDS
from strikewatch.core.instant import EARLIEST, LATEST
from strikewatch.errors import InputError, Rejected
from strikewatch.sources.decode.topic import is_id
from strikewatch.sources.logs.channels import ChannelColumns, Resolve, Use, conditions, matches
from strikewatch.sources.logs.clock import LogClock, ReadTimes
from strikewatch.sources.logs.records import Account, Cells, Column, Mask, Records, as_cells, value_at
from strikewatch.sources.mapping import paths
from strikewatch.sources.mapping.event_fields import EventReader
from strikewatch.sources.mapping.paths import is_path
from strikewatch.sources.mapping.patterns import Name, as_text, words_in
from strikewatch.sources.mapping.tables import SourceTable
from strikewatch.sources.mapping.values import number

_NOT_SELECTED: Final = "records that `where` leaves out"


class LogMapper:
    """Maps the records of one file. `resolve` finds columns by path; `names`: those that `named` may name."""

    def __init__(
        self, source: SourceTable, clock: LogClock, resolve: Resolve, place: str, names: Sequence[str] = ()
    ) -> None:
        self.account = Account()
        self._source, self._clock, self._place = source, clock, place
        self._channels = ChannelColumns(source, resolve, names, place, self.account)
        self._where = conditions(source.where, resolve, source.decimal)
        at = () if source.time is None or source.time.at is None else source.time.at
        self._time = [resolve(path) for path in ((at,) if isinstance(at, str) else at)]
        self._id_columns = {text: resolve(text) for text in (source.site, source.hammer) if is_path(text)}
        self._name = resolve(source.name) if source.name is not None and is_path(source.name) else None
        self._value = resolve(source.value) if source.value is not None else None
        if source.name is not None and (self._name is None or self._value is None):
            raise InputError(
                f"{place}: `name` and `value` must be columns of the table, like @.tag and @.value"
            )
        self._events = EventReader(source) if source.event else None
        self._event_columns = {
            paths.parse(each.at).steps[0]: resolve(each.at)
            for each in source.event.values()
            if each.at is not None
        }

    def wanted(self) -> list[str]:
        """Return the columns that are used."""
        own = [place for place in (self._name, self._value) if place is not None]
        each = (
            self._time,
            self._id_columns.values(),
            self._where,
            self._channels.wanted(),
            self._event_columns.values(),
            own,
        )
        return list(dict.fromkeys(chain(*each)))

    def uses(self, column: str) -> list[Use]:
        """Return the channels that a column gives."""
        return [use for use in self._channels.uses if use.column == column]

    def rows(self, records: Records) -> Iterator[tuple[Key, Rows]]:
        """Yield rows by hammer, in the order of the records; add their events to the account."""
        account = self.account
        account.records += records.n
        keep = np.ones(records.n, bool)
        for place, codes in self._where.items():
            keep &= matches(records.columns[place], codes)
        account.pass_over(_NOT_SELECTED, records.n - int(keep.sum()))
        times = self._times(records)
        account.twice += times.twice
        bad = keep & times.bad
        if bad.any():
            account.left_out.add("time", int(bad.sum()), _example(records, bad, times.why))
            keep &= ~bad
        if self._events is not None:
            self._add_events(records, self._events, times.time_ns, keep)
        if self._name is not None and self._value is not None:
            yield from self._rows_of_names(records, self._name, self._value, times.time_ns, keep)
            return
        present = [use for use in self._channels.uses if use.column is None or use.column in records.columns]
        for words, uses in _by_words(present):
            yield from self._rows_of_columns(records, words, uses, times.time_ns, keep)

    def _times(self, records: Records) -> ReadTimes:
        if records.time_ns is not None:
            usable = (records.time_ns >= EARLIEST) & (records.time_ns < LATEST)
            return ReadTimes(
                np.where(usable, records.time_ns, -1), "its time is not between the years 1970 and 2100"
            )
        return self._clock.column([records.columns[place] for place in self._time])

    def _rows_of_columns(
        self, records: Records, words: Mapping[str, str], uses: Sequence[Use], time_ns: Ints, keep: Mask
    ) -> Iterator[tuple[Key, Rows]]:
        """Yield rows that have a column for each channel."""
        applies = {use.channel: self._channels.applies(records, use.channel) for use in uses}
        if all(mask is not None for mask in applies.values()):
            # A record that applies to no channel, such as a frame of another address, gives no row.
            wanted = np.any([mask for mask in applies.values() if mask is not None], axis=0)
            self.account.pass_over(_NOT_SELECTED, int((keep & ~wanted).sum()))
            keep = keep & wanted
        keys = self._keys(records, words, keep)
        if not keys:
            return
        keep = keys[0][1] if len(keys) == 1 else np.any([mask for _, mask in keys], axis=0)
        columns: dict[str, Floats] = {}
        for use in uses:
            mask = applies[use.channel]
            columns[use.channel] = self._channels.values(records, use, keep if mask is None else keep & mask)
        rows = Rows(time_ns, columns)
        for key, mask in keys:
            yield key, rows if mask.all() else rows[mask]

    def _rows_of_names(
        self, records: Records, name: str, value: str, time_ns: Ints, keep: Mask
    ) -> Iterator[tuple[Key, Rows]]:
        """Yield the rows of a table of names and values: one for each record."""
        names = as_cells(records.columns[name])
        known = np.zeros(len(names.values), bool)
        for code, cell in enumerate(names.values):
            text = as_text(cell)
            for channel, table in self._source.channels.items():
                words = None if text is None or table.named is None else Name(table.named).match(text.strip())
                if words is None:
                    continue
                known[code] = True
                some = np.flatnonzero(keep & (names.codes == code))
                if not len(some):
                    continue
                part = Records(
                    len(some),
                    {place: column[some] for place, column in records.columns.items()},
                    first=records.first,
                    noun=records.noun,
                )
                applies = self._channels.applies(part, channel)
                for key, mask in self._keys(
                    part, words, np.ones(len(some), bool) if applies is None else applies
                ):
                    values = self._channels.values(part, Use(value, channel, table), mask, some)
                    yield key, Rows(time_ns[some], {channel: values})[mask]
        self.account.pass_over("records of other names", int((keep & ~known[names.codes]).sum()))

    def _keys(self, records: Records, words: Mapping[str, str], keep: Mask) -> list[tuple[Key, Mask]]:
        """Return the hammers of the records of `keep`, each with a mask [n] of its own."""
        site, hammer = (
            self._filled(records, text, words) for text in (self._source.site, self._source.hammer)
        )
        sites, hammers = _repeated(site, records.n), _repeated(hammer, records.n)
        pairs, codes = np.unique(sites.codes * len(hammers.values) + hammers.codes, return_inverse=True)
        found: list[tuple[Key, Mask]] = []
        for code, pair in enumerate(pairs.tolist()):
            mask = keep if len(pairs) == 1 else keep & (codes == code)
            n = int(mask.sum())
            device = as_text(hammers.values[pair % len(hammers.values)])
            place = as_text(sites.values[pair // len(hammers.values)])
            if not n:
                continue
            if not device or not place:
                what = "site" if device else "hammer"
                self.account.left_out.add("hammer", n, _example(records, mask, f"its {what} is empty"))
            elif (key := self._key(place.strip(), device.strip())) is None:
                self.account.pass_over(f"records of device {device[:40]}", n)
            else:
                found.append((key, mask))
        return found

    def _filled(self, records: Records, text: str, words: Mapping[str, str]) -> str | Column:
        """Fill in the `{words}` of a text; return the column instead if it is a path."""
        if is_path(text):
            return records.columns[self._id_columns[text]]
        for word in words_in(text):
            text = text.replace(f"{{{word}}}", words.get(word, ""))
        return text

    def _key(self, site: str, device: str) -> Key | None:
        """Return site and hammer of a device; None if the source's `hammers` does not list it."""
        hammer = device
        if self._source.hammers:
            listed = self._source.hammers.get(device)
            if listed is None:
                return None
            given, slash, name = listed.partition("/")
            site, hammer = (given, name) if slash else (site, listed)
        for what, one in (("site", site), ("hammer", hammer)):
            if not is_id(one):
                raise InputError(
                    f"{self._place}: {one[:80]!r} cannot be the id of a {what} (1 to 64 letters, digits, '.', '_', '-')"
                    + (
                        "; list the device in `hammers`"
                        if what == "hammer"
                        else "; write the site in the source"
                    )
                )
        return site, hammer

    def _add_events(self, records: Records, reader: EventReader, time_ns: Ints, keep: Mask) -> None:
        """Decode the events of the records that have one."""
        for key, mask in self._keys(records, {}, keep):
            for k in np.flatnonzero(mask).tolist():
                record = {
                    step: value_at(records.columns[place], k) for step, place in self._event_columns.items()
                }
                try:
                    fields = reader.read({}, (record,), record)
                    if fields:
                        event = reader.decode(self._typed(fields), key, int(time_ns[k]), LATEST)
                        self.account.events += [] if event is None else [event]
                except Rejected as error:
                    self.account.left_out.add(
                        "event", 1, f"{records.noun} {records.first + k:,}: {error.detail}"
                    )

    def _typed(self, fields: Mapping[str, object]) -> dict[str, object]:
        """Return fields of an event with texts as numbers, and numbers as texts, where its kind declares them so."""
        kind = KINDS.get(str(fields.get("event")))
        declared = {**COMMON_FIELDS, **(kind.fields if kind else {})}
        found: dict[str, object] = {}
        for name, value in fields.items():
            kind_of = declared[name].type if name in declared else ""
            if kind_of == "number" and isinstance(value, str):
                read = number(value, self._source.decimal)
                found[name] = value if read is None else read
            elif kind_of in ("id", "word", "text", "choice") and not isinstance(value, str):
                found[name] = as_text(value)
            else:
                found[name] = value
        return found


def _example(records: Records, mask: Mask, what: str) -> str:
    return f"{records.noun} {records.first + int(mask.argmax()):,}: {what}"


def _repeated(given: str | Column, n: int) -> Cells:
    return Cells([given], np.zeros(n, np.int64)) if isinstance(given, str) else as_cells(given)


def _by_words(uses: Sequence[Use]) -> Iterator[tuple[Mapping[str, str], list[Use]]]:
    """Group columns by the words of their names; constants belong to each group."""
    constants = [use for use in uses if use.column is None]
    groups: dict[tuple[tuple[str, str], ...], list[Use]] = {}
    for use in uses:
        if use.column is not None:
            groups.setdefault(tuple(sorted(use.words.items())), []).append(use)
    for words, own in groups.items():
        yield dict(words), [*own, *constants]
