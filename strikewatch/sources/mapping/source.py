"""One source at work: a message becomes rows by hammer, events, rejects, and counts of what is passed over. Pure."""

from collections.abc import Callable, Container, Iterable
from functools import lru_cache
from typing import Any, Final, NamedTuple

from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import strict_json
from strikewatch.sources.decode.topic import is_id
from strikewatch.sources.mapping import paths
from strikewatch.sources.mapping.collector import Collector, Row
from strikewatch.sources.mapping.event_fields import EventReader
from strikewatch.sources.mapping.message import (
    Channel,
    Message,
    Shape,
    Values,
    Words,
    compile_where,
    fulfilled,
)
from strikewatch.sources.mapping.paths import MISSING, Frame, Getter, compile_path, records_at
from strikewatch.sources.mapping.patterns import MAX_LENGTH, Name, Topic, compile_template, words_in
from strikewatch.sources.mapping.payloads import payload_reader
from strikewatch.sources.mapping.record_times import RecordTimes
from strikewatch.sources.mapping.tables import ChannelTable, SourceTable
from strikewatch.sources.mapping.value_readers import reader
from strikewatch.sources.mapping.values import contents, shown

_ID_HINT: Final = "1 to 64 letters, digits, '.', '_' or '-'; give it a name in `hammers`"


class Route(NamedTuple):
    """How a source takes a topic. `words`: those of the topic. `key`: the hammer that it names, if it does.

    `quick`: what to read of each payload if the topic says all else, by channel; None if it does not.
    """

    source: "Source"
    topic: str
    words: Words
    key: Key | None
    quick: tuple[tuple[str, Getter, Callable[[Any], float]], ...] | None


class _Device(NamedTuple):
    """A device that the source's table of hammers does not list."""

    name: str


class Source:
    """One source, compiled from its table."""

    def __init__(self, name: str, table: SourceTable) -> None:
        self.name: Final = name
        self.table: Final = table
        self.topics: Final = tuple(map(Topic, table.topics))
        self.arrival: Final = table.time is not None and table.time.form == "arrival"
        """Whether the time of receipt counts, since none is sent."""
        self._read = payload_reader(table)
        self._records = paths.parse(table.record_path, many=True).steps
        self._where = compile_where(table.where)
        self._site, self._hammer = compile_template(table.site), compile_template(table.hammer)
        self._times = RecordTimes(table)
        self._name = None if table.name is None else compile_template(table.name)
        self._value = compile_path(table.value or "@")
        channels = [_channel(each, spec, table.decimal) for each, spec in table.channels.items()]
        self._at = [each for each in channels if each.get is not None]
        self._named = [each for each in channels if each.pattern is not None]
        self._constants = {
            each: float(spec.constant)
            for each, spec in table.channels.items()
            if isinstance(spec.constant, bool | int | float)
        }
        self._event = EventReader(table) if table.event else None
        holds = any(each.hold_s is not None for each in channels)
        private = self._event is not None and self._event.private
        self.shape: Final = Shape(name, self._constants, holds, private)
        self._by_name = lru_cache(maxsize=4096)(self._find_named)
        self._by_id = lru_cache(maxsize=4096)(self._find_key)

    @property
    def names(self) -> tuple[str, ...]:
        """The patterns of the names that the source uses."""
        return tuple(each.pattern.text for each in self._named if each.pattern is not None)

    def route(self, topic: str) -> Route | None:
        """Return how the source takes a topic; None if it does not."""
        words = next((words for each in self.topics if (words := each.match(topic)) is not None), None)
        if words is None:
            return None
        key = self._key_of(words)
        return Route(self, topic, words, key, None if key is None else self._quick(words))

    def _quick(self, words: Words) -> tuple[tuple[str, Getter, Callable[[Any], float]], ...] | None:
        """Return what to read of each payload, if nothing else in it matters: the usual case, and much cheaper."""
        if self._records or self._where or self._event or self._constants or self.shape.holds:
            return None
        if self._times.since is not None or self.table.step is not None or self.table.step_s is not None:
            return None
        channels = [(each, each.get) for each in self._at]
        if self._name is not None:
            if paths.is_path(self.table.name or ""):
                return None
            name = self._name(words, (), None)
            channels += [(each, self._value) for each, _ in self._by_name(name or "")]
        if not channels or any(channel.conditions for channel, _ in channels):
            return None
        return tuple((channel.name, get, channel.reader.read) for channel, get in channels if get is not None)

    def machine(self, route: Route, prefix: str) -> str:
        """Return the machine whose messages must stay in order with those of a topic: the hammer, if it names one.

        Otherwise all messages of the source with the same words in the topic, except the words of a value's name.
        """
        if route.key is not None:
            return f"{prefix}/{route.key[0]}/{route.key[1]}"
        in_name = words_in(self.table.name or "")
        return "\0".join([self.name, *(value for word, value in route.words.items() if word not in in_name)])

    def _key_of(self, words: Words) -> Key | None:
        """Return the hammer that a topic names, if it does."""
        if paths.is_path(self.table.hammer) or paths.is_path(self.table.site):
            return None
        key = self._by_id(self._site(words, (), None), self._hammer(words, (), None))
        return None if isinstance(key, Rejected | _Device) else key

    def collect(
        self,
        route: Route,
        payload: bytes,
        received: Instant,
        latest: Instant,
        into: Collector,
        *,
        retained: bool = False,
        held: Container[Key] = (),
    ) -> None:
        """Add what a message gives to `into`. Never raises Rejected."""
        into.keys = []
        if retained and (self.table.retained == "skip" or self.arrival):
            into.pass_over("retained")
            return
        try:
            tree = self._read(payload)
        except Rejected as error:
            message = Message(self.shape, received, latest, held, into)
            message.reject(error, route.key)
            message.finish()
            return
        if route.quick is not None and route.key not in held and route.key is not None:
            row = self._read_row(route.quick, tree, received, latest)
            if row is not None:
                into.add_row(route.key, *row)
                return
        self._collect(route, tree, Message(self.shape, received, latest, held, into))

    def _read_row(
        self,
        quick: Iterable[tuple[str, Getter, Callable[[Any], float]]],
        tree: Any,
        received: Instant,
        latest: Instant,
    ) -> tuple[Instant, Row] | None:
        """Read the only row of a message; None if anything about it is unusual."""
        frame = (tree,)
        row: Row = {}
        try:
            time = received
            if (place := self._times.time) is not None:
                time = place.reader.read(place.get(frame, tree), received, latest)
            for name, get, read in quick:
                raw = get(frame, tree)
                if type(raw) is list:
                    return None
                if raw is not MISSING:
                    row[name] = read(raw)
        except Rejected:
            return None
        return (time, row) if row else None

    def _collect(self, route: Route, tree: Any, message: Message) -> None:
        """Add what any message gives."""
        try:
            if self.table.payload == "jsonl":
                tree = _good_lines(tree, route.key, message)
            if self._records:
                self._take_all(route, tree, message)
            else:
                self._take(route.words, (tree,), tree, message)
            if message.unmatched:
                raise Rejected(
                    "nothing", f"none of the source's channels is in this payload (there: {contents(tree)})"
                )
        except Rejected as error:
            message.reject(error, route.key)
        message.finish()

    def _take_all(self, route: Route, tree: Any, message: Message) -> None:
        """Take every record of a message."""
        number = -1
        for number, (own_words, frame, record) in enumerate(
            records_at(tree, self._records, route.words, (tree,))
        ):
            if number >= strict_json.MAX_ROWS:
                raise Rejected("too_large", f"{self.table.record_path}: more than {number} records")
            try:
                self._take(own_words, frame, record, message)
            except Rejected as error:
                if error.reason == "too_large":
                    raise
                message.unmatched = False
                message.reject(Rejected(error.reason, f"record {number}: {error.detail}"), route.key)
        if number < 0:
            raise Rejected(
                "no_record", f"{self.table.record_path}: is not in this payload (there: {contents(tree)})"
            )

    def _take(self, words: Words, frame: Frame, record: Any, message: Message) -> None:
        """Take one record. Raises Rejected."""
        if self._where and not fulfilled(self._where, words, frame, record):
            message.unmatched = False
            message.into.pass_over("where")
            return
        values: Values = []
        if self._name is not None:
            words = self._add_named(words, frame, record, values, message)
        for channel in self._at:
            raw = channel.get(frame, record)  # type: ignore[misc]  # those of `_at` have one
            if raw is not MISSING and (
                not channel.conditions or fulfilled(channel.conditions, words, frame, record)
            ):
                values.append((channel, raw))
        event = None if self._event is None else self._event.read(words, frame, record)
        if not values and not event and (self._name is not None or not self._constants):
            return
        message.unmatched = False
        key = self._by_id(self._site(words, frame, record), self._hammer(words, frame, record))
        if isinstance(key, Rejected):
            raise Rejected(key.reason, key.detail)
        if isinstance(key, _Device):
            message.into.pass_over("device", key.name)
            return
        time = self._times.read(frame, record, message)
        if event:
            self._add_event(event, key, time.at, message)
        if time.listed is not None or any(type(raw) is list for _, raw in values):
            instants = self._times.of_arrays(time, values, frame, record, message)
            message.add_block(key, instants, values)
        elif values or self._constants:
            message.add_row(key, time.at, values)

    def _add_named(self, words: Words, frame: Frame, record: Any, values: Values, message: Message) -> Words:
        """Add the value beside a name; return the words, with those of the name."""
        assert self._name is not None
        name = self._name(words, frame, record)
        if name is None:
            raise Rejected("missing", f"name: is missing; nothing is at {self.table.name}")
        found = self._by_name(name) if len(name) <= MAX_LENGTH else ()
        if not found:
            message.unmatched = False
            message.into.pass_over("name", name[:64])
            return words
        for channel, taken in found:
            words = {**words, **taken} if taken else words
            raw = self._value(frame, record)
            if raw is MISSING:
                continue
            if not channel.conditions or fulfilled(channel.conditions, words, frame, record):
                values.append((channel, raw))
            else:
                message.unmatched = False
                message.into.pass_over("where")
        return words

    def _find_named(self, name: str) -> tuple[tuple[Channel, Words], ...]:
        matches = ((each, each.pattern.match(name)) for each in self._named if each.pattern is not None)
        return tuple((each, words) for each, words in matches if words is not None)

    def _find_key(self, site: str | None, device: str | None) -> Key | _Device | Rejected:
        """Return the hammer of a device, or why it has none."""
        if device is None:
            return Rejected("missing", f"hammer: is missing; nothing is at {self.table.hammer}")
        if self.table.hammers:
            listed = self.table.hammers.get(device)
            if listed is None:
                return _Device(device[:64])
            listed_site, _, device = listed.rpartition("/")
            site = listed_site or site
        if site is None:
            return Rejected("missing", f"site: is missing; nothing is at {self.table.site}")
        for word, text in (("site", site), ("hammer", device)):
            if not is_id(text):
                return Rejected("topic", f"{word}: {shown(text)}: {_ID_HINT}")
        return site, device

    def _add_event(self, fields: dict[str, Any], key: Key, time: Instant, message: Message) -> None:
        assert self._event is not None
        try:
            event = self._event.decode(fields, key, time, message.latest)
        except Rejected as error:
            message.reject(error, key)
            return
        if event is not None:
            message.into.events.append(event)


def _channel(name: str, table: ChannelTable, decimal: str) -> Channel:
    return Channel(
        name,
        reader(name, table, decimal),
        None if table.at is None else compile_path(table.at),
        None if table.named is None else Name(table.named),
        compile_where(table.where),
        table.hold_s,
    )


def _good_lines(lines: list[Any], key: Key | None, message: Message) -> list[Any]:
    """Return the lines that could be read, and reject the others. Raises the last of them if there are only such."""
    bad = [line for line in lines if isinstance(line, Rejected)]
    if not bad:
        return lines
    for error in bad[:-1] if len(bad) == len(lines) else bad:
        message.reject(error, key)
    if len(bad) == len(lines):
        raise bad[-1]
    return [line for line in lines if not isinstance(line, Rejected)]
