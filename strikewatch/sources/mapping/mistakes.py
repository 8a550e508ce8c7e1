"""Every mistake in the tables of sources at once, each with its place and a remedy.

A field that is wrong by itself is reported and left out, and the rest is checked as if it were right, so that neither
hides the other.
"""

import copy
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from reprlib import repr as short
from typing import Any, Final

from pydantic import BaseModel, ValidationError

from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.core.events import COMMON_FIELDS, KINDS
from strikewatch.sources.hold import bound_error
from strikewatch.sources.mapping import paths
from strikewatch.sources.mapping.patterns import Name, Topic, words_in
from strikewatch.sources.mapping.tables import (
    FILE_PAYLOADS,
    SPARKPLUG_WORDS,
    ChannelTable,
    EventField,
    SourceTable,
    StepTable,
    TimeTable,
    close,
)
from strikewatch.sources.mapping.units import UNITS

Loc = tuple[str, ...]
Problem = tuple[str, str]
"""(place, what is wrong and the remedy)."""
_VALUE_ERROR: Final = "Value error, "
_KINDS_OF: Final = {
    "string_type": "must be a text",
    "int_type": "must be a whole number",
    "float_type": "must be a number",
    "bool_type": "must be true or false",
    "dict_type": "must be a table",
    "model_type": "must be a table",
    "tuple_type": "must be a list",
    "missing": "is missing",
    "finite_number": "must be a finite number",
}
_WORDS_OF_UNIONS: Final = (
    "str",
    "bool",
    "int",
    "float",
    "list[",
    "tuple[",
    "function-",
    "constrained-",
    "union",
)
_MODELS: Final[dict[str, type[BaseModel]]] = {"time": TimeTable, "step": StepTable}
_NOT_TO_EVENTS: Final = ("time", "site", "hammer")


def read_tables(path: Path) -> tuple[dict[str, SourceTable], list[Problem]]:
    """Read a file of source tables; return the usable ones and every problem."""
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        return {}, [(str(path), f"cannot be read ({error.strerror}); name an existing file")]
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        return {}, [(str(path), f"is not TOML in UTF-8: {error}")]
    return check_tables(tables, str(path))


def check_tables(tables: Mapping[str, Any], place: str = "") -> tuple[dict[str, SourceTable], list[Problem]]:
    """Check source tables; return those without a mistake and every problem, the places beginning with `place`."""
    sources: dict[str, SourceTable] = {}
    problems: list[Problem] = []
    for name, table in tables.items():
        source, found = _check(table)
        problems += [(_place(place, (name, *loc)), what) for loc, what in found.items()]
        if source is not None and not found:
            sources[name] = source
    return sources, problems


def _place(place: str, loc: Loc) -> str:
    dotted = ".".join(loc)
    return f"{place}: {dotted}" if place else dotted


def _check(table: Any) -> tuple[SourceTable | None, dict[Loc, str]]:
    """Return a source and its problems by place."""
    if not isinstance(table, dict):
        return None, {(): "must be a table, one for each source"}
    problems: dict[Loc, str] = {}
    left = copy.deepcopy(table)
    source = None
    while source is None:
        try:
            source = SourceTable.model_validate(left)
        except ValidationError as error:
            for one in error.errors(include_url=False):
                loc = _loc(one["loc"])
                problems.setdefault(loc, _message(one, loc))
                _remove(left, loc)
    if not table.get("channels") and not table.get("event"):
        problems[()] = "has neither channels nor an event; add a table [….channels] or [….event]"
    for loc, what in _together(source, problems):
        if not any(wrong and (loc[: len(wrong)] == wrong or wrong[: len(loc)] == loc) for wrong in problems):
            problems[loc] = what
    return source, problems


def _loc(parts: tuple[str | int, ...]) -> Loc:
    """Return the keys of a place, without what pydantic adds for unions and list items."""
    keys = []
    for k, part in enumerate(parts):
        if isinstance(part, int):
            continue
        if k > 0 and part.startswith(_WORDS_OF_UNIONS) and k == len(parts) - 1:
            continue
        keys.append(part)
    return tuple(keys)


def _remove(table: dict[str, Any], loc: Loc) -> None:
    """Leave out what is at a place, or the deepest table above it that exists."""
    for key in loc[:-1]:
        inner = table.get(key)
        if not isinstance(inner, dict):
            table.pop(key, None)
            return
        table = inner
    if loc and loc[-1] in table:
        del table[loc[-1]]
    else:
        table.clear()


def _message(error: Any, loc: Loc) -> str:
    kind = error["type"]
    if kind == "extra_forbidden":
        known = [field.alias or name for name, field in _model(loc).model_fields.items()]
        return f"is unknown{close(loc[-1], known) or '; known are ' + ', '.join(sorted(known))}"
    if kind == "value_error":
        return str(error["msg"]).removeprefix(_VALUE_ERROR)
    if kind == "literal_error":
        expected = str(error["ctx"]["expected"]).replace(" or ", ", ")
        return f"{short(error['input'])} is none of {expected}{close(str(error['input']), _quoted(expected))}"
    what = _KINDS_OF.get(kind) or str(error["msg"]).removeprefix("Input ").replace("should be", "must be")
    return what if kind == "missing" else f"{what} (got {short(error['input'])})"


def _quoted(expected: str) -> list[str]:
    return [each.strip("' ") for each in expected.split(",")]


def _model(loc: Loc) -> type[BaseModel]:
    """Return the model whose fields stand at a place."""
    if len(loc) > 2 and loc[0] == "channels":
        return ChannelTable
    if len(loc) > 2 and loc[0] == "event":
        return EventField
    return _MODELS.get(loc[0], SourceTable) if len(loc) > 1 else SourceTable


def _together(source: SourceTable, wrong: Iterable[Loc]) -> Iterator[tuple[Loc, str]]:
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
        ("encoding", source.payload in ("table", "csv", "text")),
        ("skip", source.payload in ("table", "csv")),
        ("header", source.payload in ("table", "csv")),
        ("delimiter", source.payload in ("table", "csv")),
        ("group", source.payload == "sparkplug"),
        ("rebirth", source.payload == "sparkplug"),
        ("packed", not of_file and source.payload != "sparkplug"),
        ("retained", bool(source.topics)),
    ):
        if key in source.model_fields_set and not fits:
            yield (key,), f'does not belong to payload = "{source.payload}"'
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
    if count and time.zone is not None:
        yield ("time", "zone"), f"does not belong to a count of {time.form}, which is UTC"
    if time.since is not None and not count:
        yield ("time", "since"), "belongs to a count (s, ms, us, ns) only"
    if "%" in time.form and "%z" not in time.form and time.zone is None:
        yield ("time", "zone"), "is missing; a pattern without %z needs one, like Europe/Vienna or UTC"
    if "%" in time.form and "%Z" in time.form:
        yield ("time", "as"), "%Z (a zone's name) is ambiguous; use `zone`, or %z for an offset"


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
