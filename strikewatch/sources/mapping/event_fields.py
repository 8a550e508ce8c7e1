"""Events of a source: fields from the payload or the topic, through the words of its table, to the contract's event."""

import json
from typing import Any, Final

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode.events import decode_event
from strikewatch.sources.mapping.paths import MISSING, Frame, compile_path
from strikewatch.sources.mapping.patterns import compile_template, words_in
from strikewatch.sources.mapping.tables import EventField, SourceTable
from strikewatch.sources.mapping.values import number, shown

_PERSONAL: Final = frozenset({"operator", "note", "by"})
"""Fields that may name a person: their values are never quoted."""


class EventReader:
    """Reads the event of a record."""

    def __init__(self, table: SourceTable) -> None:
        self._fields = [_Field(name, spec, table.decimal) for name, spec in table.event.items()]
        self._every_ns = instant.seconds(table.every_s)
        self._last: dict[Key, Instant] = {}  # of each hammer, where there is at most one in `every_s`
        self.private: Final = any(field.name in _PERSONAL and field.varies for field in self._fields)
        """Whether payloads name a person, so that rejected ones are not kept."""

    def read(self, words: dict[str, str], frame: Frame, record: Any) -> dict[str, Any]:
        """Return the fields that are there; empty if the kind of event is not. Raises Rejected."""
        found: dict[str, Any] = {}
        for field in self._fields:
            value = field.read(words, frame, record)
            if value is not None:
                found[field.name] = value
            elif field.name == "event":
                return {}
        return found

    def decode(self, fields: dict[str, Any], key: Key, time: Instant, latest: Instant) -> Event | None:
        """Decode an event as one of the contract's own; None if it comes too soon after the last. Raises Rejected."""
        last = self._last.get(key)
        if self._every_ns and last is not None and time != last and time < last + self._every_ns:
            return None
        try:
            payload = json.dumps({**fields, "time": instant.exact_text(time)}, allow_nan=False).encode()
            event, _ = decode_event(payload, *key, latest)
        except (TypeError, ValueError):
            raise Rejected("bad_value", "event: a field is not a finite number or a text") from None
        except Rejected as error:
            detail = error.detail
            if detail.partition(":")[0] in _PERSONAL:
                detail = detail.partition("; got")[0]
            raise Rejected(error.reason, f"event.{detail}") from None
        if self._every_ns and (last is None or time > last):
            self._last[key] = time
        return event


class _Field:
    """One field of an event, compiled."""

    def __init__(self, name: str, table: EventField, decimal: str) -> None:
        self.name = name
        self._table = table
        self._decimal = decimal
        self._get = None if table.at is None else compile_path(table.at)
        constant = table.constant
        has_words = isinstance(constant, str) and bool(words_in(constant))
        self._template = compile_template(constant) if has_words else None
        self._words = None if table.words is None else {word.strip(): v for word, v in table.words.items()}
        self.varies = self._get is not None or self._template is not None

    def read(self, words: dict[str, str], frame: Frame, record: Any) -> Any:
        """Return the field's value; None if it is not there. Raises Rejected."""
        table = self._table
        if self._template is not None:
            value: Any = self._template(words, frame, record)
        elif self._get is None:
            return table.constant
        else:
            value = self._get(frame, record)
        if value is MISSING or value is None:
            return None
        if self._words is not None:
            meant = self._words.get(_word(value))
            if meant is None:
                quoted = "the value" if self.name in _PERSONAL else shown(value)
                raise Rejected("unknown_word", f"event.{self.name}: {quoted} at {table.at} is not in `words`")
            return meant
        if (table.scale, table.offset) == (1.0, 0.0):
            return value
        if type(value) is str:
            value = number(value, self._decimal)
        if type(value) not in (int, float) or abs(value) > 1e18:
            raise Rejected("bad_value", f"event.{self.name}: what is at {table.at} is not a number")
        return value * table.scale + table.offset


def _word(value: Any) -> str:
    """Return a value as it is written in `words`."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        value = int(value)
    if isinstance(value, int) and value.bit_length() > 128:
        return ""
    return str(value).strip() if isinstance(value, str | int | float) else ""
