"""What several fields of a source's table together show to be wrong."""

from collections.abc import Iterable, Iterator
from typing import Final

from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.core.events import COMMON_FIELDS, KINDS
from strikewatch.sources.hold import bound_error
from strikewatch.sources.mapping import paths
from strikewatch.sources.mapping.patterns import Name, Topic, words_in
from strikewatch.sources.mapping.tables import (
    FILE_PAYLOADS,
    SPARKPLUG_WORDS,
    ChannelTable,
    SourceTable,
    TimeTable,
    close,
)
from strikewatch.sources.mapping.units import UNITS

Loc = tuple[str, ...]
"""The keys of a place in a table."""
_NOT_TO_EVENTS: Final = ("time", "site", "hammer")


def contradictions(source: SourceTable, wrong: Iterable[Loc]) -> Iterator[tuple[Loc, str]]:
    """Yield what is wrong with several fields together; `wrong`: places with a mistake of their own."""
    yield from _origin(source)
    yield from _time(source)
    if not any({"topic", "records", "named"} & set(loc) for loc in wrong):
        yield from _words(source)
        yield from _levels(source)
    for name, channel in source.channels.items():
        for key, what in _channel(source, name, channel):
            yield ("channels", name, *((key,) if key else ())), what
    yield from _event(source)


def _origin(source: SourceTable) -> Iterator[tuple[Loc, str]]:
    of_file = source.payload in FILE_PAYLOADS
    if source.topic and source.file is not None:
        yield ("file",), "is given beside topic; a source is one or the other"
    elif source.topic and source.group is not None:
        yield ("group",), "is given beside topic; keep one"
    elif not source.topics and source.file is None:
        yield ("topic",), 'is missing; name the topics, like topic = "pit/{hammer}/{tag}", or a file'
    elif source.file is not None and not of_file:
        yield ("payload",), f'must be "table" (CSV, Excel, MDF) or "can" for a file, not "{source.payload}"'
    elif source.topic and of_file:
        yield ("payload",), f'"{source.payload}" is for a file; give file in place of topic'
    for key, fits in (
        ("dbc", source.payload == "can"),
        ("j1939", source.payload == "can"),
        ("sheet", source.payload == "table"),
        ("records", not of_file),
        ("step", not of_file),
        ("step_s", not of_file),
        ("encoding", source.payload in ("table", "csv", "text")),
        ("skip", source.payload in ("table", "csv")),
        ("skip_after", source.payload in ("table", "csv")),
        ("header", source.payload in ("table", "csv")),
        ("delimiter", source.payload in ("table", "csv")),
        ("group", source.payload == "sparkplug"),
        ("rebirth", source.payload == "sparkplug"),
        ("packed", not of_file and source.payload != "sparkplug"),
        ("retained", bool(source.topics)),
    ):
        if key in source.model_fields_set and not fits:
            why = ", in which each row or frame is a record" if key in ("records", "step", "step_s") else ""
            yield (key,), f'does not belong to payload = "{source.payload}"{why}'
    if source.skip_after and not (source.header or (source.header is None and source.payload == "table")):
        yield ("skip_after",), "needs a heading; set header = true, or use `skip`"
    if source.payload == "can" and not source.dbc:
        yield ("dbc",), "is missing; name the DBC files that describe the frames"


def _time(source: SourceTable) -> Iterator[tuple[Loc, str]]:
    time = source.time
    if time is None:
        if source.payload != "sparkplug":
            yield ("time",), 'is missing; give { at = "@.time", as = "iso" }, or "arrival" if none is sent'
    elif time.form == "arrival":
        if source.file is not None:
            yield ("time",), '"arrival" is for live sources; name where the file has its times'
        if source.retained == "take":
            yield ("retained",), "cannot be taken without a time of its own, since its age is unknown"
    else:
        yield from _written_time(source, time)
    if source.step is not None and source.step_s is not None:
        yield ("step_s",), "is given beside step; keep one"


def _written_time(source: SourceTable, time: TimeTable) -> Iterator[tuple[Loc, str]]:
    if time.form == "log":
        if source.file is None:
            yield ("time", "as"), '"log" is the time of a log file; name how the payload writes it'
    elif time.at is None and source.payload not in ("sparkplug", "can"):
        yield ("time", "at"), 'is missing; name where the time is, like "@.time"'
    count = time.form in ("s", "ms", "us", "ns")
    if count and time.zone is not None and not time.counts_locally:
        yield (
            ("time", "zone"),
            f"does not belong to a count of {time.form}, which is UTC; if the sender counts on a local clock, name "
            'the beginning without an offset, like since = "1970-01-01T00:00:00"',
        )
    if time.since is not None and not count:
        yield ("time", "since"), "belongs to a count (s, ms, us, ns) only"
    elif time.counts_locally and time.zone is None:
        yield ("time", "since"), "has no offset; add one, or name the zone of the clock in `zone`"
    elif isinstance(time.since, TimeTable):
        yield from _sent_since(source, time.since)
    if "%" in time.form and "%z" not in time.form and time.zone is None:
        yield ("time", "zone"), "is missing; a pattern without %z needs one, like Europe/Vienna or UTC"
    if "%" in time.form and "%Z" in time.form:
        yield ("time", "as"), "%Z (a zone's name) is ambiguous; use `zone`, or %z for an offset"


def _sent_since(source: SourceTable, since: TimeTable) -> Iterator[tuple[Loc, str]]:
    if source.file is not None:
        yield ("time", "since"), "must be a time in the table of a file; name it, with its offset"
    elif since.at is None:
        yield ("time", "since", "at"), 'is missing; name where the time is, like "$.begin"'
    elif since.form in ("arrival", "log") or isinstance(since.since, TimeTable):
        yield ("time", "since"), 'must be a time that is sent, like { at = "$.begin", as = "ms" }'
    else:
        for loc, what in _written_time(source, since):
            yield ("time", "since", *loc[1:]), what


def _words(source: SourceTable) -> Iterator[tuple[Loc, str]]:
    """Check that every word in braces is given somewhere."""
    if source.payload == "can":
        return
    given = [set(Topic(each).words) for each in source.topics]
    common = set.intersection(*given) if given else set()
    if source.payload == "sparkplug":
        common |= set(SPARKPLUG_WORDS)
    common |= set(paths.parse(source.record_path, many=True).words)
    named = [set(Name(each.named).words) for each in source.channels.values() if each.named]
    known = common | (set.intersection(*named) if named and not source.event else set())
    places = "topic, records nor every named" if source.topics else "records nor every named"
    needs_site = not source.hammers or not all("/" in hammer for hammer in source.hammers.values())
    for key, text in (("site", source.site), ("hammer", source.hammer)):
        for word in words_in(text) if key == "hammer" or needs_site else ():
            if word not in known:
                there = ", ".join(f"{{{each}}}" for each in sorted(known)) or "none"
                yield (key,), f"{{{word}}} is in neither {places} (there: {there}); say where the {key} is"
    fields: list[tuple[Loc, str]] = [(("name",), source.name or "")]
    fields += [(("where", place), place) for place in source.where if place.startswith("{")]
    for key, field in source.event.items():
        if isinstance(field.constant, str):
            fields.append((("event", key), field.constant))
    for loc, text in fields:
        if loc[0] == "where" and f"{{{''.join(words_in(text))}}}" != text:
            yield loc, "must be a path, or one word in braces"
        for word in words_in(text):
            if word not in common:
                there = ", ".join(f"{{{each}}}" for each in sorted(common)) or "none"
                yield loc, f"{{{word}}} is in neither topic nor records (there: {there})"


def _levels(source: SourceTable) -> Iterator[tuple[Loc, str]]:
    """Check that no path goes further up than the records lie deep."""
    depth = paths.parse(source.record_path, many=True).depth
    for loc, text in _paths_of(source):
        if paths.is_path(text) and text.startswith("^"):
            up = len(paths.parse(text).root)
            if up > depth:
                yield loc, f"{text!r} goes {up} up, but records has {depth} [*]; use $, the message"


def _paths_of(source: SourceTable) -> Iterator[tuple[Loc, str]]:
    for key in ("site", "hammer", "name", "value"):
        if (text := getattr(source, key)) is not None:
            yield (key,), text
    if source.time is not None and source.time.at is not None:
        at = source.time.at
        yield from ((("time", "at"), each) for each in ((at,) if isinstance(at, str) else at))
        if isinstance(since := source.time.since, TimeTable) and since.at is not None:
            at = since.at
            yield from ((("time", "since"), each) for each in ((at,) if isinstance(at, str) else at))
    if source.step is not None:
        yield ("step", "at"), source.step.at
    yield from ((("where", place), place) for place in source.where)
    for name, channel in source.channels.items():
        if channel.at is not None:
            yield ("channels", name, "at"), channel.at
        yield from ((("channels", name, "where", place), place) for place in channel.where)
    for key, field in source.event.items():
        if field.at is not None:
            yield ("event", key), field.at


def _channel(source: SourceTable, name: str, table: ChannelTable) -> Iterator[tuple[str, str]]:
    """Yield what is wrong with a channel: the key, or "" for all of it."""
    if name in ALIASES:
        yield "", f"write {ALIASES[name][0]} with its unit in place of {name}"
        return
    if name not in CHANNELS:
        yield "", f"is not a channel{close(name, CHANNELS) or '; `strikewatch channels` lists them'}"
        return
    given = table.model_fields_set
    places = [
        key for key, alias in (("at", "at"), ("named", "named"), ("constant", "is")) if key in given and alias
    ]
    if len(places) != 1:
        yield "", "give one of `at` (a path), `named` (a name beside a value) and `is` (a constant)"
    if (
        table.named is not None
        and source.name is None
        and source.payload not in ("sparkplug", "can", "table")
    ):
        yield "named", "needs `name` in the source: where the name is"
    if (table.raw is None) != (table.to is None):
        missing = "to" if table.to is None else "from"
        yield missing, "is missing; a range is two readings and their values: from = [4, 20], to = [0, 400]"
    elif table.raw is not None and table.raw[0] == table.raw[1]:
        yield "from", "must be two different readings"
    elif table.raw is not None and {"scale", "offset"} & given:
        yield "from", "is given beside scale or offset; keep one"
    if table.hold_s is not None and (error := bound_error(name, table.hold_s)):
        yield "hold_s", error
    yield from (_yes_no if CHANNELS[name].boolean else _number)(name, table)


def _yes_no(name: str, table: ChannelTable) -> Iterator[tuple[str, str]]:
    given = table.model_fields_set
    for key, alias in (
        ("unit", "unit"),
        ("scale", "scale"),
        ("offset", "offset"),
        ("raw", "from"),
        ("to", "to"),
    ):
        if key in given:
            yield alias, f"does not belong to {name}, which is yes or no; use on and off, on_from, or bit"
    ways = [bool(table.on or table.off), table.on_from is not None, table.bit is not None]
    if sum(ways) > 1:
        yield "", "give `on` and `off`, or `on_from`, or `bit`; only one of the three"
    elif ways[0] and not (table.on and table.off):
        yield ("off" if table.on else "on"), "is missing; on and off each list their values"
    if table.constant is not None and not isinstance(table.constant, bool):
        yield "is", f"must be true or false (got {table.constant!r})"


def _number(name: str, table: ChannelTable) -> Iterator[tuple[str, str]]:
    for key in ("on", "off", "on_from", "bit"):
        if key in table.model_fields_set:
            yield key, f"does not belong to {name}, which is a number"
    units = UNITS[CHANNELS[name].unit]
    if table.unit is not None and table.unit not in units:
        yield "unit", f"{table.unit!r} does not fit {name}; one of {', '.join(units)}"
    if table.constant is not None and (
        isinstance(table.constant, bool) or not isinstance(table.constant, int | float)
    ):
        yield "is", f"must be a number (got {table.constant!r})"


def _event(source: SourceTable) -> Iterator[tuple[Loc, str]]:
    if source.every_s and not source.event:
        yield ("every_s",), "belongs to a source with an event"
    if source.value is not None and source.name is None:
        yield ("value",), "needs `name` beside it: where the name is"
    if not source.event:
        return
    kind = source.event.get("event")
    if kind is None:
        yield ("event", "event"), f"is missing; one of {', '.join(KINDS)}"
        return
    kinds = [str(word) for word in ([kind.constant] if kind.at is None else (kind.words or {}).values())]
    for word in kinds:
        if not words_in(word) and word not in KINDS:
            yield ("event", "event"), f"{word!r} is none of {', '.join(KINDS)}{close(word, KINDS)}"
    fields = {*COMMON_FIELDS, *(field for word in kinds if word in KINDS for field in KINDS[word].fields)}
    for key, field in source.event.items():
        if key in _NOT_TO_EVENTS:
            yield ("event", key), f"is given by `{key}` of the source"
        elif key != "event" and fields and key not in fields and all(word in KINDS for word in kinds):
            yield (
                ("event", key),
                f"is not a field of this event{close(key, fields)}; it has {', '.join(sorted(fields))}",
            )
        elif field.words is not None and (field.scale, field.offset) != (1.0, 0.0):
            yield ("event", key), "has words and a scale; keep one"
