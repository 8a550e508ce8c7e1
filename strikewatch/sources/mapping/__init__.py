"""Mapping: a table says how any topic and payload becomes channels and events, without code.

How a source maps: `load_sources(path)` reads `sources.toml`, one table a source, and raises SettingsError with every
mistake. `Sources.map(topic, payload, received_ns)` gives a `Mapped`: `rows` by (site, hammer) in order of time,
`events`, `rejects` with reason and remedy, and what was `passed_over` (other names, other devices, records that `where`
leaves out). One message costs nothing but itself: mapping never raises, and its work is linear in the bytes.

The way of a message: sources.py (which source takes a topic) → source.py (its records) → message.py (one message) →
collector.py (what messages give). What they use: payloads.py (bytes to a tree), paths.py (RFC 9535 singular queries),
patterns.py (topics and names with {word}), record_times.py and times.py, value_readers.py, values.py and units.py,
event_fields.py, sparkplug.py.

The tables: tables.py (their models), mistakes.py (every mistake at once), consistency.py (several fields together).
For those who write one: authoring/ (try a table, propose a first one).

`value_readers.reader` and `times.TimeReader` convert single values and whole columns alike, so logger files use the
same tables (`file`, `payload = "table"` or `"can"`): see `tables.SourceTable`.
"""

from strikewatch.sources.mapping.collector import Mapped, MappedReject, PassedOver
from strikewatch.sources.mapping.mistakes import Problem, check_tables, read_tables
from strikewatch.sources.mapping.source import Source
from strikewatch.sources.mapping.sources import SourceHealth, Sources, load_sources
from strikewatch.sources.mapping.tables import ChannelTable, SourceTable, TimeTable

__all__ = [
    "ChannelTable",
    "Mapped",
    "MappedReject",
    "PassedOver",
    "Problem",
    "Source",
    "SourceHealth",
    "SourceTable",
    "Sources",
    "TimeTable",
    "check_tables",
    "load_sources",
    "read_tables",
]
