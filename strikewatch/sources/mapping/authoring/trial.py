"""What sources make of captured messages, and what their tables probably miss: for those who write a table. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant, text
from strikewatch.core.printable import printable
from strikewatch.errors import Rejected
from strikewatch.sources.mapping import paths
from strikewatch.sources.mapping.collector import Mapped
from strikewatch.sources.mapping.paths import MISSING, compile_path, leaves, records_at
from strikewatch.sources.mapping.patterns import words_in
from strikewatch.sources.mapping.payloads import Read, payload_reader
from strikewatch.sources.mapping.sources import Sources
from strikewatch.sources.mapping.tables import ChannelTable, SourceTable, close
from strikewatch.sources.mapping.values import shown
from strikewatch.sources.reasons import explain

MAX_STUDIED: Final = 200
"""Of each source, so many payloads are searched for what a path probably meant."""
_MAX_RECORDS: Final = 200
_MAX_SEEN: Final = 200
_HOLD: Final = "hold_s:"


class Captured(NamedTuple):
    """A message as it was captured. `received`: wall time of its receipt."""

    topic: str
    payload: bytes
    received: Instant
    retained: bool = False


class Trial(NamedTuple):
    """What one message gives. `sources`: the names of those that take its topic."""

    message: Captured
    sources: tuple[str, ...]
    mapped: Mapped

    def rows(self) -> Iterator[tuple[Key, Instant, dict[str, float | bool | None]]]:
        """Yield (hammer, instant, values by channel) of each row; None: said to have no value."""
        for key, rows in self.mapped.rows.items():
            columns = {name: column for name, column in rows.columns.items() if not name.startswith(_HOLD)}
            for k, at in enumerate(rows.time_ns.tolist()):
                yield key, at, {name: _plain(name, float(column[k])) for name, column in columns.items()}

    def json(self) -> dict[str, Any]:
        """Return the outcome for programs."""
        return {
            "topic": self.message.topic,
            "received": text(self.message.received),
            "sources": list(self.sources),
            "rows": [
                {"time": text(at), "site": key[0], "hammer": key[1], **values}
                for key, at, values in self.rows()
            ],
            "events": [
                {"time": text(event.time), "site": event.site, "hammer": event.hammer, "event": event.kind}
                | dict(event.fields)
                for event in self.mapped.events
            ],
            "rejects": [
                {
                    "reason": each.error.reason,
                    "detail": each.error.detail,
                    "remedy": explain(each.error.reason).remedy,
                }
                for each in self.mapped.rejects
            ],
            "passed_over": [
                {"what": passed.what, "name": passed.name, "count": count}
                for passed, count in self.mapped.passed_over.items()
            ],
        }


def _plain(name: str, value: float) -> float | bool | None:
    from strikewatch.core.channels import CHANNELS

    if value != value or value in (float("inf"), float("-inf")):
        return None
    return bool(value) if CHANNELS[name].boolean else value


@dataclass(slots=True)
class _Study:
    """What has been seen of one source."""

    table: SourceTable
    read: Read
    messages: int = 0
    values: int = 0
    events: int = 0
    channels: set[str] = field(default_factory=set)
    names: dict[str, int] = field(default_factory=dict)
    devices: dict[str, int] = field(default_factory=dict)
    conditions: dict[str, set[str]] = field(default_factory=dict)  # what is at the path of a `where`
    near: dict[str, str] = field(default_factory=dict)  # channel → the path that was probably meant
    there: dict[str, None] = field(default_factory=dict)  # the paths of a record


class Trials:
    """Maps captured messages one after the other, and collects what a table probably misses."""

    def __init__(self, tables: dict[str, SourceTable]) -> None:
        self._sources = Sources(tables)
        self._studies = {
            name: _Study(table, payload_reader(table)) for name, table in tables.items() if table.topics
        }

    def take(self, message: Captured) -> Trial:
        """Map a message by the sources that take its topic."""
        taken = self._sources.taken(message.topic)
        mapped = self._sources.map(
            message.topic, message.payload, message.received, retained=message.retained
        )
        trial = Trial(message, tuple(route.source.name for route in taken), mapped)
        for route in taken:
            self._study(self._studies[route.source.name], route.words, trial)
        return trial

    def _study(self, study: _Study, words: dict[str, str], trial: Trial) -> None:
        study.messages += 1
        study.values += trial.mapped.values
        study.events += len(trial.mapped.events)
        for rows in trial.mapped.rows.values():
            study.channels.update(name for name in rows.columns if not name.startswith(_HOLD))
        for passed, count in trial.mapped.passed_over.items():
            counted = {"name": study.names, "device": study.devices}.get(passed.what)
            if counted is not None and (passed.name in counted or len(counted) < _MAX_SEEN):
                counted[passed.name] = counted.get(passed.name, 0) + count
        if study.table.payload == "sparkplug" or study.messages > MAX_STUDIED:
            return
        try:
            tree = study.read(trial.message.payload)
        except Rejected:
            return
        steps = paths.parse(study.table.record_path, many=True).steps
        for number, (_, frame, record) in enumerate(records_at(tree, steps, dict(words), (tree,))):
            if number == _MAX_RECORDS:
                break
            if isinstance(record, Rejected):  # a bad line
                continue
            self._study_record(study, frame, record)

    def _study_record(self, study: _Study, frame: tuple[Any, ...], record: Any) -> None:
        table = study.table
        for place in _conditions_of(table):
            if not place.startswith("{"):
                seen = study.conditions.setdefault(place, set())
                value = compile_path(place)(frame, record)
                if len(seen) < 8:
                    seen.add("nothing" if value is MISSING else shown(value))
        there: list[str] | None = None
        for name, channel in table.channels.items():
            if channel.at is None or name in study.channels or name in study.near:
                continue
            if compile_path(channel.at)(frame, record) is MISSING:
                if there is None:
                    there = [path for path, _ in leaves(record)] if channel.at.startswith("@") else []
                    if channel.at.startswith("$"):
                        there = [path for path, _ in leaves(frame[0], "$")]
                    study.there.update(dict.fromkeys(there[:_MAX_SEEN]))
                if near := close(channel.at, there, "{}"):
                    study.near[name] = near

    def advice(self) -> Iterator[tuple[str, str]]:
        """Yield (source, what it probably misses)."""
        for name, study in self._studies.items():
            if not study.messages:
                yield name, f"no message: its topics are {', '.join(study.table.topics)}"
                continue
            for channel, table in study.table.channels.items():
                if channel not in study.channels and table.constant is None:
                    yield name, f"{channel}: no value{_where_from(table)}{_near(study, channel, table)}"
            if study.table.event and not study.events:
                yield name, "no event; see what was rejected or passed over"
            if study.devices and study.table.hammers:
                listed = _counts(study.devices)
                yield name, f"devices that `hammers` does not list, passed over: {listed}"
            elif study.devices:
                yield name, f"passed over, since no device is named: {_counts(study.devices)}"
            if study.names:
                yield name, f"names that no channel uses: {_counts(study.names)}"
            for place, allowed in _conditions_of(study.table).items():
                seen = study.conditions.get(place, set())
                wanted = {shown(value) for value in allowed}
                if seen and not seen & wanted and not study.values:
                    yield (
                        name,
                        f"where {place}: every record is passed over; there is {', '.join(sorted(seen))}, "
                        f"not {', '.join(sorted(wanted))}",
                    )


def _conditions_of(table: SourceTable) -> dict[str, tuple[Any, ...]]:
    found = dict(table.where)
    for channel in table.channels.values():
        for place, values in channel.where.items():
            found[place] = (*found.get(place, ()), *values)
    return found


def _where_from(table: ChannelTable) -> str:
    return f" at {table.at}" if table.at is not None else f" named {shown(table.named)}"


def _near(study: _Study, channel: str, table: ChannelTable) -> str:
    if table.at is not None:
        if channel in study.near:
            return f"; did you mean {printable(study.near[channel])}?"
        there = ", ".join(printable(path, 60) for path in list(study.there)[:12])
        return f"; there are {there}" if there else ""
    assert table.named is not None
    words = dict.fromkeys(words_in(table.named), "")
    plain = table.named.format(**words) if words else table.named
    near = close(plain, study.names, "{}")
    return f'; did you mean "{near}"?' if near else ""


def _counts(counted: dict[str, int], limit: int = 20) -> str:
    listed = [f"{name} ({count:,})" for name, count in list(counted.items())[:limit]]
    return ", ".join(listed) + (f" and {len(counted) - limit} more" if len(counted) > limit else "")
