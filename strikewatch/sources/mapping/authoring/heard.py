"""What was heard, as far as it can be read: the form of payloads, where records, names and values are. Pure."""

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final

from strikewatch.errors import Rejected
from strikewatch.sources.decode.cbor import read_cbor
from strikewatch.sources.decode.compression import Compression, unpack
from strikewatch.sources.decode.messagepack import read_msgpack
from strikewatch.sources.mapping.authoring.trial import Captured
from strikewatch.sources.mapping.paths import step_text
from strikewatch.sources.mapping.payloads import read_json, read_lines, read_text
from strikewatch.sources.mapping.tables import SPARKPLUG_NAMESPACE

MAX_VALUES: Final = 50
ID: Final = re.compile(r"(?!v\d+$)(?=.*\d)[A-Za-z0-9][A-Za-z0-9._\- ]*", re.ASCII)
HAMMER: Final = re.compile(r"(?i)(hb|ham|hammer|brk|breaker)[-_ ]?\d+")
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
_STEP_KEYS: Final[dict[str, str]] = {
    "fs": "Hz", "rate": "Hz", "hz": "Hz", "rate_hz": "Hz", "freq": "Hz", "sample_rate": "Hz", "samplerate": "Hz",
    "step": "s", "dt": "s", "step_s": "s", "interval": "s", "interval_s": "s", "period": "s", "period_s": "s",
    "dt_ms": "ms", "step_ms": "ms", "interval_ms": "ms", "period_ms": "ms", "dt_us": "us", "step_us": "us",
}  # fmt: skip


@dataclass(slots=True)
class Heard:
    """A message as far as it can be read. `form`: the payload's."""

    message: Captured
    form: str
    packed: str
    tree: Any
    delimiter: str = ""

    @property
    def levels(self) -> list[str]:
        return self.message.topic.split("/")


def read(message: Captured) -> Heard | None:
    payload, packed = message.payload, ""
    if message.topic.startswith(f"{SPARKPLUG_NAMESPACE}/"):
        return Heard(message, "sparkplug", "", None)
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
        return Heard(message, "json" if isinstance(tree, dict | list) else "text", packed, tree)
    try:
        text = payload.decode("utf-8-sig")
    except UnicodeDecodeError:
        return _read_binary(message, payload, packed)
    if any(not char.isprintable() and char not in "\r\n\t" for char in text):
        return _read_binary(message, payload, packed)
    if text.lstrip().startswith("{"):
        with suppress(Rejected):
            lines_of_json = read_lines(payload)
            if all(isinstance(line, dict) for line in lines_of_json):
                return Heard(message, "jsonl", packed, lines_of_json)
    for delimiter in (";", "\t", ","):
        lines = [line for line in csv.reader(io.StringIO(text), delimiter=delimiter) if line]
        if lines and min(map(len, lines)) > 2 - (len(lines) > 1):
            return Heard(message, "csv", packed, lines, delimiter)
    try:
        return Heard(message, "text", packed, read_text(payload))
    except Rejected:
        return None


def _read_binary(message: Captured, payload: bytes, packed: str) -> Heard | None:
    for form, read in (("msgpack", read_msgpack), ("cbor", read_cbor)):
        try:
            tree = read(payload)
        except Rejected:
            continue
        if isinstance(tree, dict | list):
            return Heard(message, form, packed, tree)
    return None


def kind(heard: Heard) -> tuple[Any, ...]:
    """Return what messages of one table have in common."""
    levels = heard.levels
    if heard.form == "sparkplug":
        return heard.form, levels[1] if len(levels) > 1 else ""
    own = levels[:1] if heard.form == "text" or single_value(heard.tree) else levels
    return heard.form, heard.packed, len(levels), *("*" if ID.fullmatch(each) else each for each in own)


def single_value(tree: Any) -> str | None:
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


def topic_pattern(group: list[Heard]) -> tuple[list[str], list[int]]:
    """Return the levels of a topic pattern, and which of them name the value, of messages with one value each."""
    columns = list(zip(*(heard.levels for heard in group), strict=True))
    pattern = [next(iter(set(column))) if len(set(column)) == 1 else "" for column in columns]
    tags: list[int] = []
    if group[0].form == "text" or single_value(group[0].tree):
        varying = [k for k, level in enumerate(pattern) if not level]
        tags = [k for k in varying if not all(map(ID.fullmatch, columns[k]))]
        if not tags and len(group) == 1 and len(pattern) > 1 and not ID.fullmatch(pattern[-1]):
            tags = [len(pattern) - 1]
        tags = tags or varying[-1:]
    hammers = [k for k, column in enumerate(columns) if k not in tags and all(map(ID.fullmatch, column))]
    likely = [k for k in hammers if all(HAMMER.fullmatch(each) for each in columns[k])]
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


def find_records(group: list[Heard]) -> tuple[str, list[Any]]:
    """Return where records are, and those heard."""
    trees = [heard.tree for heard in group]
    if all(isinstance(tree, list) for tree in trees):
        inner = [each for tree in trees for each in tree]
        return ("$[*]", inner) if inner and all(isinstance(each, dict) for each in inner) else ("$", trees)
    maps = [tree for tree in trees if isinstance(tree, dict)]
    members = [each for tree in maps for each in tree.values()]
    if maps and all(ID.fullmatch(str(key)) for tree in maps for key in tree):
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


def are_hammers(seen: Sequence[Any]) -> bool:
    return all(isinstance(each, str) and HAMMER.fullmatch(each) for each in seen)


def last_step(place: str) -> str:
    return place.rpartition(".")[2].strip("[']").casefold()


def name_and_value(values: Mapping[str, Sequence[Any]]) -> tuple[str, str] | None:
    """Return the paths of name and value, if records are that."""
    names = [
        place
        for place, seen in values.items()
        if last_step(place) in _NAME_KEYS
        and all(isinstance(each, str) for each in seen)
        and len(set(seen)) > 1
    ]
    places = [place for place in values if last_step(place) in _VALUE_KEYS]
    return (names[0], places[0]) if names and places else None


def step_form(place: str) -> str | None:
    name = place.rpartition(".")[2].casefold()
    return _STEP_KEYS.get(name)


def is_value(place: str, seen: Sequence[Any], values: Mapping[str, Sequence[Any]]) -> bool:
    """Leave out either an array or its elements: of a block of values the elements, of a list of different ones it."""
    base = place.rpartition("[")[0]
    arrays = [own for own in values.values() if any(isinstance(each, list) for each in own)]
    has_step = len(arrays) > 1 or any(step_form(each) for each in values)
    if re.search(r"\[\d+\]$", place) and base in values:
        return not (has_step or any(isinstance(each, list) and len(each) > 8 for each in values[base]))
    return not (any(isinstance(each, list) for each in seen) and not has_step and f"{place}[0]" in values)


def add_value(values: dict[str, list[Any]], place: str, value: Any) -> None:
    seen = values.setdefault(place, [])
    if len(seen) < MAX_VALUES:
        seen.append(value)
