"""A first table of sources from what was heard: a proposal, with what is to be confirmed in comments. Pure."""

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from strikewatch.core.channels import CHANNELS
from strikewatch.core.printable import printable
from strikewatch.errors import Rejected
from strikewatch.sources.mapping.authoring.guess import (
    Guess,
    guess_channels,
    guess_date_and_clock,
    guess_time,
    numbers_of,
    split_words,
    unit_note,
    words_of,
)
from strikewatch.sources.mapping.authoring.heard import (
    HAMMER,
    ID,
    MAX_VALUES,
    Heard,
    add_value,
    are_hammers,
    find_records,
    is_value,
    kind,
    last_step,
    name_and_value,
    read,
    single_value,
    step_form,
    topic_pattern,
)
from strikewatch.sources.mapping.authoring.leaves import leaves
from strikewatch.sources.mapping.authoring.trial import Captured
from strikewatch.sources.mapping.tables import SPARKPLUG_WORDS

MAX_RECORDS: Final = 2_000
"""Of each kind of message, so many records are studied."""
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
_SITE: Final = "my-site"


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
    groups: dict[tuple[Any, ...], list[Heard]] = {}
    unread: dict[str, int] = {}
    for message in messages:
        heard = read(message)
        if heard is None:
            unread[message.topic] = unread.get(message.topic, 0) + 1
        else:
            groups.setdefault(kind(heard), []).append(heard)
    names: set[str] = set()
    parts = [
        "# A proposal from what was heard. Confirm channels, units and the site, then: strikewatch sources check"
    ]
    parts += [_table(group, _unused_name(group[0], names), site) for group in groups.values()]
    parts += [
        f"# {printable(topic)}: {count} payloads in no form that is known" for topic, count in unread.items()
    ]
    return "\n\n".join(parts) + "\n" if len(parts) > 1 else ""


def _unused_name(heard: Heard, names: set[str]) -> str:
    sparkplug = heard.form == "sparkplug"
    plain = [each for each in heard.levels[1 : 2 if sparkplug else None] if sparkplug] or [
        each for each in heard.levels if not ID.fullmatch(each)
    ]
    first = heard.form == "text" or single_value(heard.tree) is not None
    base = re.sub(r"[^a-z0-9]+", "-", plain[0 if first else -1].casefold() if plain else "")
    base = base.strip("-") or heard.form
    name = next(
        each for k in range(len(names) + 1) if (each := base if not k else f"{base}-{k + 1}") not in names
    )
    names.add(name)
    return name


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _table(group: list[Heard], name: str, site: str | None) -> str:
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


def _topics_and_records(table: _Table, group: list[Heard]) -> None:
    first, received = group[0], group[0].message.received
    pattern, tags = topic_pattern(group)
    table.head.append(f"topic = {_quoted('/'.join(pattern))}")
    if first.form != "json":
        table.head.append(f'payload = "{first.form}"')
    if first.packed:
        table.head.append(f'packed = "{first.packed}"')
    value_at = single_value(first.tree)
    if first.form == "text" or (value_at is not None and tags):
        _single_values(table, group, pattern, tags, value_at)
        return
    if first.form == "csv":
        path, records = _csv(table, group)
    else:
        path, records = find_records(group)
    if path not in ("$", "$[*]" if first.form in ("csv", "jsonl") else "$"):
        table.head.append(f"records = {_quoted(path)}")
    if "{device}" in path:
        pattern = ["+" if level in ("{device}", "{hammer}") else level for level in pattern]
    values: dict[str, list[Any]] = {}
    for record in records[:MAX_RECORDS]:
        for place, value in leaves(record):
            add_value(values, place, value)
    outer: dict[str, list[Any]] = {}
    if path != "$":
        for heard in group:
            for place, value in leaves(heard.tree, "$"):
                if not re.search(r"\[\d", place) and isinstance(heard.tree, dict):
                    add_value(outer, place, value)
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
    pair = name_and_value(values)
    used = {time[0]} if time else set(date_and_clock[0]) if date_and_clock else set()
    if pair is not None and any(HAMMER.search(each) for each in values[pair[0]]):
        pattern = ["+" if level in ("{device}", "{hammer}") else level for level in pattern]
    table.head[0] = f"topic = {_quoted('/'.join(pattern))}"
    if pair is not None:
        _names_and_values(table, records, pair, pattern, values)
        return
    _hammer(table, pattern, values, device="{device}" in path)
    _step(table, values)
    usable = {
        place: seen for place, seen in values.items() if place not in used and is_value(place, seen, values)
    }
    _channels(table, usable, "at")


def _single_values(
    table: _Table, group: list[Heard], pattern: Sequence[str], tags: list[int], value_at: str | None
) -> None:
    """Propose a table of messages with one value each. `value_at`: where it is in an object; None: it is all."""
    values: dict[str, list[Any]] = {}
    seen: dict[str, list[Any]] = {}
    for heard in group:
        own = dict(leaves(heard.tree))
        for place, value in own.items():
            add_value(values, place, value)
        value = heard.tree if value_at is None else own.get(value_at)
        add_value(seen, "/".join(heard.levels[k] for k in tags) or "value", value)
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


def _csv(table: _Table, group: list[Heard]) -> tuple[str, list[Any]]:
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


def _step(table: _Table, values: Mapping[str, Sequence[Any]]) -> None:
    if any(isinstance(one, list) for seen in values.values() for one in seen):
        for place, seen in values.items():
            if (form := step_form(place)) and not any(isinstance(each, list) for each in seen):
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
    in_payload = [place for place, seen in values.items() if are_hammers(seen)]
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
            isinstance(each, str | int) and ID.fullmatch(str(each)) for each in seen
        ):
            table.head.append(f"hammer = {_quoted(place)}  # confirm: heard {printable(str(seen[0]), 40)}")
            return
    table.head.append('hammer = "HB-01"  # confirm: neither topic nor payload seems to name one')


def _names_and_values(
    table: _Table,
    records: list[Any],
    pair: tuple[str, str],
    pattern: Sequence[str],
    values: Mapping[str, Any],
) -> None:
    name_at, value_at = pair
    for place, seen in values.items():
        if last_step(place) in _QUALITY_KEYS and len(good := {str(each): each for each in seen}) <= 4:
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
            add_value(seen_by, name, own[value_at])
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
            name if "{hammer}" in pattern or "{device}" in pattern else HAMMER.sub("{hammer}", name, count=1)
        )
        merged.setdefault(place, []).extend(seen[:MAX_VALUES])
    if not any("{hammer}" in name for name in merged):
        _hammer(table, pattern, values)
    _channels(table, merged, "named")


def _sparkplug(table: _Table, group: list[Heard]) -> None:
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
            add_value(seen, record.name, record.value)
    first = group[0].levels
    table.head += ['payload = "sparkplug"', f"group = {_quoted(first[1])}" if len(first) > 1 else ""]
    table.head.append("rebirth = true  # asks nodes for their births: the broker must allow it")
    word = SPARKPLUG_WORDS[2 if has_devices else 1]
    table.head.append(f'hammer = "{{{word}}}"')
    listed = [each for each in devices if each]
    if any(not HAMMER.fullmatch(each) or " " in each for each in listed):
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
