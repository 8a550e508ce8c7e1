"""A first table of sources from what was heard: a proposal, with what is to be confirmed in comments. Pure."""

import csv
import io
import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Final

from strikewatch.core.channels import CHANNELS
from strikewatch.errors import Rejected
from strikewatch.sources.decode.cbor import read_cbor
from strikewatch.sources.decode.compression import Compression, unpack
from strikewatch.sources.decode.messagepack import read_msgpack
from strikewatch.sources.mapping.guess import (
    Guess,
    guess_channels,
    guess_date_and_clock,
    guess_time,
    numbers_of,
    split_words,
    unit_note,
    words_of,
)
from strikewatch.sources.mapping.leaves import leaves, step_text
from strikewatch.sources.mapping.payloads import read_json, read_text
from strikewatch.sources.mapping.tables import SPARKPLUG_NAMESPACE, SPARKPLUG_WORDS
from strikewatch.sources.mapping.trial import Captured, printable

MAX_RECORDS: Final = 2_000
"""Of each kind of message, so many records are studied."""
_MAX_VALUES: Final = 50
_ID: Final = re.compile(r"(?!v\d+$)(?=.*\d)[A-Za-z0-9][A-Za-z0-9._\- ]*", re.ASCII)
_HAMMER: Final = re.compile(r"(?i)(hb|ham|hammer|brk|breaker)[-_ ]?\d+")
_NAME_KEYS: Final = (
    "name",
    "id",
    "tag",
    "n",
    "key",
    "sensor",
    "signal",
    "metric",
    "point",
    "var",
    "channel",
    "param",
)
_VALUE_KEYS: Final = ("value", "v", "val", "reading", "data", "raw", "x")
_QUALITY_KEYS: Final = ("q", "quality", "good", "valid", "ok", "qual", "status")
_HAMMER_KEYS: Final = (
    "hammer",
    "breaker",
    "device",
    "dev",
    "machine",
    "unit",
    "asset",
    "serial",
    "sn",
    "imei",
    "id",
)
_STEP_KEYS: Final[dict[str, str]] = {
    "fs": "Hz", "rate": "Hz", "hz": "Hz", "rate_hz": "Hz", "freq": "Hz", "sample_rate": "Hz", "samplerate": "Hz",
    "step": "s", "dt": "s", "step_s": "s", "interval": "s", "interval_s": "s", "period": "s", "period_s": "s",
    "dt_ms": "ms", "step_ms": "ms", "interval_ms": "ms", "period_ms": "ms", "dt_us": "us", "step_us": "us",
}  # fmt: skip
_SITE: Final = "my-site"


@dataclass(slots=True)
class _Heard:
    """A message as far as it can be read. `form`: the payload's."""

    message: Captured
    form: str
    packed: str
    tree: Any
    delimiter: str = ""

    @property
    def levels(self) -> list[str]:
        return self.message.topic.split("/")


@dataclass(slots=True)
class _Table:
    """The lines of a proposed table."""

    head: list[str] = field(default_factory=list)
    channels: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def propose(messages: Iterable[Captured], site: str | None = None) -> str:
    """Return proposed tables in TOML, one for each kind of message; "" without messages.

    `site`: of messages whose topic names none.
    """
    groups: dict[tuple[Any, ...], list[_Heard]] = {}
    unread: dict[str, int] = {}
    for message in messages:
        heard = _read(message)
        if heard is None:
            unread[message.topic] = unread.get(message.topic, 0) + 1
        else:
            groups.setdefault(_kind(heard), []).append(heard)
    names: set[str] = set()
    parts = [
        "# A proposal from what was heard. Confirm channels, units and the site, then: strikewatch sources check"
    ]
    parts += [_table(group, _unused_name(group[0], names), site) for group in groups.values()]
    parts += [
        f"# {printable(topic)}: {count} payloads in no form that is known" for topic, count in unread.items()
    ]
    return "\n\n".join(parts) + "\n" if len(parts) > 1 else ""


def _read(message: Captured) -> _Heard | None:
    payload, packed = message.payload, ""
    if message.topic.startswith(f"{SPARKPLUG_NAMESPACE}/"):
        return _Heard(message, "sparkplug", "", None)
    guessed: Compression | None = (
        "gzip" if payload.startswith(b"\x1f\x8b") else "zlib" if payload[:1] == b"\x78" else None
    )
    if guessed is not None:
        with suppress(Rejected):
            payload, packed = unpack(payload, guessed), guessed
    try:
        tree = read_json(payload)
    except Rejected:
        pass
    else:
        return _Heard(message, "json" if isinstance(tree, dict | list) else "text", packed, tree)
    try:
        text = payload.decode("utf-8-sig")
    except UnicodeDecodeError:
        return _read_binary(message, payload, packed)
    if any(not char.isprintable() and char not in "\r\n\t" for char in text):
        return _read_binary(message, payload, packed)
    for delimiter in (";", "\t", ","):
        lines = [line for line in csv.reader(io.StringIO(text), delimiter=delimiter) if line]
        if lines and min(map(len, lines)) > 2 - (len(lines) > 1):
            return _Heard(message, "csv", packed, lines, delimiter)
    try:
        return _Heard(message, "text", packed, read_text(payload))
    except Rejected:
        return None


def _read_binary(message: Captured, payload: bytes, packed: str) -> _Heard | None:
    for form, read in (("msgpack", read_msgpack), ("cbor", read_cbor)):
        try:
            tree = read(payload)
        except Rejected:
            continue
        if isinstance(tree, dict | list):
            return _Heard(message, form, packed, tree)
    return None


def _kind(heard: _Heard) -> tuple[Any, ...]:
    """Return what messages of one table have in common."""
    levels = heard.levels
    if heard.form == "sparkplug":
        return heard.form, levels[1] if len(levels) > 1 else ""
    own = levels[:1] if heard.form == "text" or _single_value(heard.tree) else levels
    return heard.form, heard.packed, len(levels), *("*" if _ID.fullmatch(each) else each for each in own)


def _single_value(tree: Any) -> str | None:
    """Return where the value of a message is that has only one, with its time or unit perhaps."""
    if (
        not isinstance(tree, dict)
        or len(tree) > 5
        or any(isinstance(each, dict | list) for each in tree.values())
    ):
        return None
    places = [key for key in tree if isinstance(key, str) and key.casefold() in _VALUE_KEYS]
    named = any(isinstance(key, str) and key.casefold() in _NAME_KEYS for key in tree)
    return None if named or len(places) != 1 else f"@{step_text(places[0])}"


def _unused_name(heard: _Heard, names: set[str]) -> str:
    sparkplug = heard.form == "sparkplug"
    plain = [each for each in heard.levels[1 : 2 if sparkplug else None] if sparkplug] or [
        each for each in heard.levels if not _ID.fullmatch(each)
    ]
    first = heard.form == "text" or _single_value(heard.tree) is not None
    base = re.sub(r"[^a-z0-9]+", "-", plain[0 if first else -1].casefold() if plain else "")
    base = base.strip("-") or heard.form
    name = next(
        each for k in range(len(names) + 1) if (each := base if not k else f"{base}-{k + 1}") not in names
    )
    names.add(name)
    return name


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _table(group: list[_Heard], name: str, site: str | None) -> str:
    table = _Table()
    first = group[0]
    if first.form == "sparkplug":
        _sparkplug(table, group)
    else:
        _topics_and_records(table, group)
    if "{site}" not in "\n".join(table.head):
        table.head.append(
            f"site = {_quoted(site or _SITE)}" + ("" if site else "  # confirm: the id of your site")
        )
    count = f"{len(group):,} message{'s' if len(group) > 1 else ''}"
    lines = [
        f"[{name}]  # {count} heard, like {printable(first.message.topic, 80)}",
        *filter(None, table.head),
    ]
    lines += [f"[{name}.channels]", *table.channels]
    if not table.channels:
        lines = [f"#{line}" for line in lines]
        table.notes.insert(
            0,
            "no channel was recognised: choose from the values below and remove the first # above; if they are events "
            f"(a sign-on, an hour meter), write [{name}.event] in place of channels",
        )
    return "\n".join([*lines, *(f"# {note}" for note in table.notes)])


def _topics_and_records(table: _Table, group: list[_Heard]) -> None:
    first, received = group[0], group[0].message.received
    pattern, tags = _topic(group)
    table.head.append(f"topic = {_quoted('/'.join(pattern))}")
    if first.form != "json":
        table.head.append(f'payload = "{first.form}"')
    if first.packed:
        table.head.append(f'packed = "{first.packed}"')
    value_at = _single_value(first.tree)
    if first.form == "text" or (value_at is not None and tags):
        _single_values(table, group, pattern, tags, value_at)
        return
    if first.form == "csv":
        path, records = _csv(table, group)
    else:
        path, records = _records(group)
    if path not in ("$", "$[*]" if first.form == "csv" else "$"):
        table.head.append(f"records = {_quoted(path)}")
    if "{device}" in path:
        pattern = ["+" if level in ("{device}", "{hammer}") else level for level in pattern]
    values: dict[str, list[Any]] = {}
    for record in records[:MAX_RECORDS]:
        for place, value in leaves(record):
            _add(values, place, value)
    outer: dict[str, list[Any]] = {}
    if path != "$":
        for heard in group:
            for place, value in leaves(heard.tree, "$"):
                if not re.search(r"\[\d", place) and isinstance(heard.tree, dict):
                    _add(outer, place, value)
    if isinstance(first.tree, list) and len(records) > len(group):  # what only the first record has
        once = [place for place, seen in values.items() if len(seen) <= len(group) and place.startswith("@.")]
        outer |= {f"$[0]{place[1:]}": values[place] for place in once}
        values = {place: seen for place, seen in values.items() if place not in once or not numbers_of(seen)}
    date_and_clock = guess_date_and_clock(values)
    time = None if date_and_clock else guess_time(values, received) or guess_time(outer, received)
    if date_and_clock is None:
        _time(table, time)
    else:
        places, form = date_and_clock
        at = ", ".join(map(_quoted, places))
        table.head.append(f'time = {{ at = [{at}], as = "{form}", zone = "UTC" }}  # confirm the zone')
    pair = _name_and_value(values)
    used = {time[0]} if time else set(date_and_clock[0]) if date_and_clock else set()
    if pair is not None and any(_HAMMER.search(each) for each in values[pair[0]]):
        pattern = ["+" if level in ("{device}", "{hammer}") else level for level in pattern]
    table.head[0] = f"topic = {_quoted('/'.join(pattern))}"
    if pair is not None:
        _names_and_values(table, records, pair, pattern, values)
        return
    _hammer(table, pattern, values, device="{device}" in path)
    _step(table, values)
    usable = {
        place: seen for place, seen in values.items() if place not in used and _is_value(place, seen, values)
    }
    _channels(table, usable, "at")


def _single_values(
    table: _Table, group: list[_Heard], pattern: Sequence[str], tags: list[int], value_at: str | None
) -> None:
    """Propose a table of messages with one value each. `value_at`: where it is in an object; None: it is all."""
    values: dict[str, list[Any]] = {}
    seen: dict[str, list[Any]] = {}
    for heard in group:
        own = dict(leaves(heard.tree))
        for place, value in own.items():
            _add(values, place, value)
        value = heard.tree if value_at is None else own.get(value_at)
        _add(seen, "/".join(heard.levels[k] for k in tags) or "value", value)
    _time(table, None if value_at is None else guess_time(values, group[0].message.received))
    _hammer(table, pattern, {})
    if any(
        isinstance(each, str) and re.fullmatch(r"-?\d+,\d+", each) for own in seen.values() for each in own
    ):
        table.head.append('decimal = ","')
    if not tags:
        _channels(table, {"@": seen["value"]}, "at", " ".join(group[0].levels))
        return
    table.head.append(f"name = {_quoted('/'.join(pattern[k] for k in tags))}")
    table.head += [] if value_at is None else [f"value = {_quoted(value_at)}"]
    _channels(table, seen, "named")


def _add(values: dict[str, list[Any]], place: str, value: Any) -> None:
    seen = values.setdefault(place, [])
    if len(seen) < _MAX_VALUES:
        seen.append(value)


def _is_value(place: str, seen: Sequence[Any], values: Mapping[str, Sequence[Any]]) -> bool:
    """Leave out either an array or its elements: of a block of values the elements, of a list of different ones it."""
    base = place.rpartition("[")[0]
    arrays = [own for own in values.values() if any(isinstance(each, list) for each in own)]
    has_step = len(arrays) > 1 or any(_step_form(each) for each in values)
    if re.search(r"\[\d+\]$", place) and base in values:
        return not (has_step or any(isinstance(each, list) and len(each) > 8 for each in values[base]))
    return not (any(isinstance(each, list) for each in seen) and not has_step and f"{place}[0]" in values)


def _topic(group: list[_Heard]) -> tuple[list[str], list[int]]:
    """Return the levels of a topic pattern, and which of them name the value, of messages with one value each."""
    columns = list(zip(*(heard.levels for heard in group), strict=True))
    pattern = [next(iter(set(column))) if len(set(column)) == 1 else "" for column in columns]
    tags: list[int] = []
    if group[0].form == "text" or _single_value(group[0].tree):
        varying = [k for k, level in enumerate(pattern) if not level]
        tags = [k for k in varying if not all(map(_ID.fullmatch, columns[k]))]
        if not tags and len(group) == 1 and len(pattern) > 1 and not _ID.fullmatch(pattern[-1]):
            tags = [len(pattern) - 1]
        tags = tags or varying[-1:]
    hammers = [k for k, column in enumerate(columns) if k not in tags and all(map(_ID.fullmatch, column))]
    likely = [k for k in hammers if all(_HAMMER.fullmatch(each) for each in columns[k])]
    device = next(reversed(likely or hammers), None)
    for k, column in enumerate(columns):
        if k in tags:
            pattern[k] = "{tag}" if len(tags) == 1 else f"{{tag{tags.index(k) + 1}}}"
        elif k == device:
            usable = all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._\-]*", each) for each in column)
            pattern[k] = "{hammer}" if usable and k in likely else "{device}"
        elif not pattern[k] or re.search(r"[{}+#]", pattern[k]):
            pattern[k] = "+"
    return pattern, tags


def _csv(table: _Table, group: list[_Heard]) -> tuple[str, list[Any]]:
    table.head += [f"delimiter = {_quoted(group[0].delimiter)}"] if group[0].delimiter != "," else []
    lines = [line for heard in group for line in heard.tree]
    if any(re.fullmatch(r"-?\d+,\d+", cell) for line in lines for cell in line):
        table.head.append('decimal = ","')
    first = group[0].tree[0]
    if all(cell.strip() and not numbers_of([cell]) for cell in first) and len(group[0].tree) > 1:
        table.head.append("header = true")
        names = [cell.strip() for cell in first]
        rows = [dict(zip(names, line, strict=False)) for heard in group for line in heard.tree[1:]]
        return "$[*]", rows
    return "$[*]", lines


def _records(group: list[_Heard]) -> tuple[str, list[Any]]:
    """Return where records are, and those heard."""
    trees = [heard.tree for heard in group]
    if all(isinstance(tree, list) for tree in trees):
        inner = [each for tree in trees for each in tree]
        return ("$[*]", inner) if inner and all(isinstance(each, dict) for each in inner) else ("$", trees)
    maps = [tree for tree in trees if isinstance(tree, dict)]
    members = [each for tree in maps for each in tree.values()]
    if maps and all(_ID.fullmatch(str(key)) for tree in maps for key in tree):
        if all(isinstance(each, list) and all(isinstance(one, dict) for one in each) for each in members):
            return "$.{device}[*]", [one for each in members for one in each]
        if all(isinstance(each, dict) for each in members):
            return "$.{device}", members
    for path in _lists(maps[0]) if maps else ():
        found = [one for tree in maps for one in _at(tree, path) if isinstance(one, dict)]
        return "$" + "".join(map(step_text, path)) + "[*]", found
    return "$", trees


def _lists(node: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Yield where lists of objects are."""
    if isinstance(node, dict) and len(path) < 4:
        for name, value in node.items():
            if isinstance(name, str):
                if isinstance(value, list) and value and all(isinstance(each, dict) for each in value):
                    yield (*path, name)
                yield from _lists(value, (*path, name))


def _at(node: Any, path: tuple[str, ...]) -> list[Any]:
    for step in path:
        node = node.get(step) if isinstance(node, dict) else None
    return node if isinstance(node, list) else []


def _time(table: _Table, time: tuple[str, str, bool] | None) -> None:
    if time is None:
        table.head.append(
            'time = "arrival"  # no time was recognised; if there is one: { at = "@.…", as = "iso" }'
        )
        return
    path, form, needs_zone = time
    zone = ', zone = "UTC"' if needs_zone else ""
    note = "  # confirm the zone, such as Europe/Vienna" if needs_zone else ""
    table.head.append(f"time = {{ at = {_quoted(path)}, as = {_quoted(form)}{zone} }}{note}")


def _step_form(place: str) -> str | None:
    name = place.rpartition(".")[2].casefold()
    return _STEP_KEYS.get(name)


def _step(table: _Table, values: Mapping[str, Sequence[Any]]) -> None:
    if any(isinstance(one, list) for seen in values.values() for one in seen):
        for place, seen in values.items():
            if (form := _step_form(place)) and not any(isinstance(each, list) for each in seen):
                table.head.append(f"step = {{ at = {_quoted(place)}, as = {_quoted(form)} }}  # confirm")
                return
        table.notes.append(
            "for arrays of values: step_s = 0.1, the time between two of them, above [….channels]"
        )


def _hammer(
    table: _Table, pattern: Sequence[str], values: Mapping[str, Sequence[Any]], *, device: bool = False
) -> None:
    """Say where the hammer is, unless the topic does."""
    if "{hammer}" in pattern:
        return
    in_payload = [place for place, seen in values.items() if _are_hammers(seen)]
    if in_payload and not device:
        table.head.append(f"hammer = {_quoted(in_payload[0])}")
        return
    if device or "{device}" in pattern:
        table.head.append('hammer = "{device}"')
        table.notes.append(
            'devices that are no hammer ids: hammers = { "device" = "HB-01" }, above [….channels]'
        )
        return
    for place, seen in values.items():
        last = (words_of(place) or [""])[-1]
        if last in _HAMMER_KEYS and all(
            isinstance(each, str | int) and _ID.fullmatch(str(each)) for each in seen
        ):
            table.head.append(f"hammer = {_quoted(place)}  # confirm: heard {printable(str(seen[0]), 40)}")
            return
    table.head.append('hammer = "HB-01"  # confirm: neither topic nor payload seems to name one')


def _are_hammers(seen: Sequence[Any]) -> bool:
    return all(isinstance(each, str) and _HAMMER.fullmatch(each) for each in seen)


def _last(place: str) -> str:
    return place.rpartition(".")[2].strip("[']").casefold()


def _name_and_value(values: Mapping[str, Sequence[Any]]) -> tuple[str, str] | None:
    """Return the paths of name and value, if records are that."""
    names = [
        place
        for place, seen in values.items()
        if _last(place) in _NAME_KEYS and all(isinstance(each, str) for each in seen) and len(set(seen)) > 1
    ]
    places = [place for place in values if _last(place) in _VALUE_KEYS]
    return (names[0], places[0]) if names and places else None


def _names_and_values(
    table: _Table,
    records: list[Any],
    pair: tuple[str, str],
    pattern: Sequence[str],
    values: Mapping[str, Any],
) -> None:
    name_at, value_at = pair
    for place, seen in values.items():
        if _last(place) in _QUALITY_KEYS and len(good := {str(each): each for each in seen}) <= 4:
            first = next(iter(good.values()))
            wanted = json.dumps(first, ensure_ascii=False)
            table.head.append(
                f"where = {{ {_quoted(place)} = {wanted} }}  # confirm; heard {', '.join(good)}"
            )
            break
    seen_by: dict[str, list[Any]] = {}
    for record in records[:MAX_RECORDS]:
        own = dict(leaves(record))
        if isinstance(name := own.get(name_at), str) and value_at in own:
            _add(seen_by, name, own[value_at])
    table.head += [f"name = {_quoted(name_at)}", f"value = {_quoted(value_at)}"]
    for record in records[:MAX_RECORDS]:  # a yes or no has a field of its own in SenML
        own = dict(leaves(record))
        if isinstance(flag := own.get("@.vb"), bool) and isinstance(name := own.get(name_at), str):
            guessed = guess_channels({name: [flag]}).get(name)
            if guessed is not None and not any(
                line.startswith(f"{guessed.channel} ") for line in table.channels
            ):
                table.channels.append(
                    f'{guessed.channel} = {{ at = "@.vb", where = {{ {_quoted(name_at)} = {_quoted(name)} }} }}'
                )
    _named(table, seen_by, pattern, {place: seen for place, seen in values.items() if place not in pair})


def _named(
    table: _Table,
    seen_by: Mapping[str, list[Any]],
    pattern: Sequence[str],
    values: Mapping[str, Sequence[Any]],
) -> None:
    """Propose channels of names; a part of them may be the hammer."""
    merged: dict[str, list[Any]] = {}
    for name, seen in seen_by.items():
        place = (
            name if "{hammer}" in pattern or "{device}" in pattern else _HAMMER.sub("{hammer}", name, count=1)
        )
        merged.setdefault(place, []).extend(seen[:_MAX_VALUES])
    if not any("{hammer}" in name for name in merged):
        _hammer(table, pattern, values)
    _channels(table, merged, "named")


def _sparkplug(table: _Table, group: list[_Heard]) -> None:
    from strikewatch.sources.decode.sparkplug import Nodes  # loads protobuf

    has_devices = any(len(heard.levels) > 4 for heard in group)
    nodes, seen, devices, births = Nodes(False), dict[str, list[Any]](), dict[str, None](), 0
    for heard in group:
        try:
            taken = nodes.take(heard.levels, heard.message.payload, heard.message.received)
        except Rejected:
            continue
        births += "BIRTH" in heard.levels[2] if len(heard.levels) > 2 else 0
        for record in taken.records:
            devices[record.device if has_devices else record.node] = None
            _add(seen, record.name, record.value)
    first = group[0].levels
    table.head += ['payload = "sparkplug"', f"group = {_quoted(first[1])}" if len(first) > 1 else ""]
    table.head.append("rebirth = true  # asks nodes for their births: the broker must allow it")
    word = SPARKPLUG_WORDS[2 if has_devices else 1]
    table.head.append(f'hammer = "{{{word}}}"')
    listed = [each for each in devices if each]
    if any(not _HAMMER.fullmatch(each) or " " in each for each in listed):
        pairs = ", ".join(f'{_quoted(each)} = "HB-{k + 1:02}"' for k, each in enumerate(listed[:20]))
        table.head.append(f"hammers = {{ {pairs} }}  # confirm which device is which hammer")
    if not births:
        table.notes.append(
            "no birth was heard, so metrics sent by alias have no name yet: listen when a node starts"
        )
    _channels(table, seen, "named", hold_s=600.0)


def _channels(
    table: _Table,
    values: Mapping[str, Sequence[Any]],
    key: str,
    context: str = "",
    hold_s: float | None = None,
) -> None:
    """Propose channels for values by name or path, and list the other values."""
    guesses = guess_channels(
        {f"{context} {place}" if context else place: seen for place, seen in values.items()}
    )
    for place, seen in values.items():
        guess = guesses.get(f"{context} {place}" if context else place)
        if guess is None:
            example = next((each for each in seen if each is not None), None)
            heard = printable(json.dumps(example, ensure_ascii=False, default=str), 60)
            if any(word in ("hours", "smh", "hourmeter", "meter", "hmr") for word in words_of(place)):
                heard += '; an hour meter is an event: event = "hours", meter_h'
            table.notes.append(f"not used: {printable(place, 80)}, heard {heard}")
        else:
            table.channels.append(_channel(guess, place, seen, key, hold_s))


def _channel(guess: Guess, place: str, seen: Sequence[Any], key: str, hold_s: float | None) -> str:
    keys = [f"{key} = {_quoted(place)}"]
    if CHANNELS[guess.channel].boolean:
        on, off, unknown = split_words(seen)
        note = ""
        if on or off or unknown:
            plain = any(isinstance(each, bool) for each in seen)
            on_words = [*([True] if plain else []), *(on or unknown[:1])]
            off_words = [*([False] if plain else []), *(off or unknown[not on :])] or ["OFF"]
            keys += [f"on = {json.dumps(on_words, ensure_ascii=False)}"]
            keys += [f"off = {json.dumps(off_words, ensure_ascii=False)}"]
            note = (
                f"confirm the words; heard {', '.join(printable(each, 30) for each in (*on, *off, *unknown))}"
            )
    else:
        note = unit_note(guess.channel, guess.unit, numbers_of(seen))
        if guess.unit:
            keys.append(f"unit = {_quoted(guess.unit)}")
    if hold_s is not None:
        keys.append(f"hold_s = {hold_s}")
    line = (
        f"{guess.channel} = {{ {', '.join(keys)} }}"
        if len(keys) > 1 or key == "named"
        else (f"{guess.channel} = {_quoted(place)}")
    )
    return f"{line}  # {note}" if note else line
