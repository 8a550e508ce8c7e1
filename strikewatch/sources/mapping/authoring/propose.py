"""A first table of sources from what was heard: a proposal, with what is to be confirmed in comments. Pure."""

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from strikewatch.core.printable import printable
from strikewatch.errors import Rejected
from strikewatch.sources.mapping.authoring.draft import Draft, quoted
from strikewatch.sources.mapping.authoring.guess import (
    guess_channels,
    guess_date_and_clock,
    guess_time,
    numbers_of,
)
from strikewatch.sources.mapping.authoring.heard import (
    HAMMER,
    ID,
    MAX_VALUES,
    Heard,
    add_value,
    find_records,
    is_value,
    kind,
    last_step,
    name_and_value,
    read,
    single_value,
    topic_pattern,
)
from strikewatch.sources.mapping.authoring.trial import Captured
from strikewatch.sources.mapping.paths import leaves
from strikewatch.sources.mapping.tables import SPARKPLUG_WORDS

MAX_RECORDS: Final = 2_000
"""Of each kind of message, so many records are studied."""
_QUALITY_KEYS: Final = ("q", "quality", "good", "valid", "ok", "qual", "status")
_SITE: Final = "my-site"


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


def _table(group: list[Heard], name: str, site: str | None) -> str:
    draft = Draft()
    first = group[0]
    if first.form == "sparkplug":
        _sparkplug(draft, group)
    else:
        _topics_and_records(draft, group)
    if "{site}" not in "\n".join(draft.head):
        draft.head.append(
            f"site = {quoted(site or _SITE)}" + ("" if site else "  # confirm: the id of your site")
        )
    count = f"{len(group):,} message{'s' if len(group) > 1 else ''}"
    return draft.text(name, f"{count} heard, like {printable(first.message.topic, 80)}")


def _topics_and_records(draft: Draft, group: list[Heard]) -> None:
    first, received = group[0], group[0].message.received
    pattern, tags = topic_pattern(group)
    draft.head.append(f"topic = {quoted('/'.join(pattern))}")
    if first.form != "json":
        draft.head.append(f'payload = "{first.form}"')
    if first.packed:
        draft.head.append(f'packed = "{first.packed}"')
    value_at = single_value(first.tree)
    if first.form == "text" or (value_at is not None and tags):
        _single_values(draft, group, pattern, tags, value_at)
        return
    if first.form == "csv":
        path, records = _csv(draft, group)
    else:
        path, records = find_records(group)
    if path not in ("$", "$[*]" if first.form in ("csv", "jsonl") else "$"):
        draft.head.append(f"records = {quoted(path)}")
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
        draft.add_time(time)
    else:
        places, form = date_and_clock
        at = ", ".join(map(quoted, places))
        draft.head.append(f'time = {{ at = [{at}], as = "{form}", zone = "UTC" }}  # confirm the zone')
    pair = name_and_value(values)
    used = {time[0]} if time else set(date_and_clock[0]) if date_and_clock else set()
    if pair is not None and any(HAMMER.search(each) for each in values[pair[0]]):
        pattern = ["+" if level in ("{device}", "{hammer}") else level for level in pattern]
    draft.head[0] = f"topic = {quoted('/'.join(pattern))}"
    if pair is not None:
        _names_and_values(draft, records, pair, pattern, values)
        return
    draft.add_hammer(pattern, values, device="{device}" in path)
    draft.add_step(values)
    usable = {
        place: seen for place, seen in values.items() if place not in used and is_value(place, seen, values)
    }
    draft.add_channels(usable, "at")


def _single_values(
    draft: Draft, group: list[Heard], pattern: Sequence[str], tags: list[int], value_at: str | None
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
    draft.add_time(None if value_at is None else guess_time(values, group[0].message.received))
    draft.add_hammer(pattern, {})
    if any(
        isinstance(each, str) and re.fullmatch(r"-?\d+,\d+", each) for own in seen.values() for each in own
    ):
        draft.head.append('decimal = ","')
    if not tags:
        draft.add_channels({"@": seen["value"]}, "at", " ".join(group[0].levels))
        return
    draft.head.append(f"name = {quoted('/'.join(pattern[k] for k in tags))}")
    draft.head += [] if value_at is None else [f"value = {quoted(value_at)}"]
    draft.add_channels(seen, "named")


def _csv(draft: Draft, group: list[Heard]) -> tuple[str, list[Any]]:
    draft.head += [f"delimiter = {quoted(group[0].delimiter)}"] if group[0].delimiter != "," else []
    lines = [line for heard in group for line in heard.tree]
    if any(re.fullmatch(r"-?\d+,\d+", cell) for line in lines for cell in line):
        draft.head.append('decimal = ","')
    first = group[0].tree[0]
    if all(cell.strip() and not numbers_of([cell]) for cell in first) and len(group[0].tree) > 1:
        draft.head.append("header = true")
        names = [cell.strip() for cell in first]
        rows = [dict(zip(names, line, strict=False)) for heard in group for line in heard.tree[1:]]
        return "$[*]", rows
    return "$[*]", lines


def _names_and_values(
    draft: Draft,
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
            draft.head.append(f"where = {{ {quoted(place)} = {wanted} }}  # confirm; heard {', '.join(good)}")
            break
    seen_by: dict[str, list[Any]] = {}
    for record in records[:MAX_RECORDS]:
        own = dict(leaves(record))
        if isinstance(name := own.get(name_at), str) and value_at in own:
            add_value(seen_by, name, own[value_at])
    draft.head += [f"name = {quoted(name_at)}", f"value = {quoted(value_at)}"]
    for record in records[:MAX_RECORDS]:  # a yes or no has a field of its own in SenML
        own = dict(leaves(record))
        if isinstance(flag := own.get("@.vb"), bool) and isinstance(name := own.get(name_at), str):
            guessed = guess_channels({name: [flag]}).get(name)
            if guessed is not None and not any(
                line.startswith(f"{guessed.channel} ") for line in draft.channels
            ):
                draft.channels.append(
                    f'{guessed.channel} = {{ at = "@.vb", where = {{ {quoted(name_at)} = {quoted(name)} }} }}'
                )
    _named(draft, seen_by, pattern, {place: seen for place, seen in values.items() if place not in pair})


def _named(
    draft: Draft,
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
        draft.add_hammer(pattern, values)
    draft.add_channels(merged, "named")


def _sparkplug(draft: Draft, group: list[Heard]) -> None:
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
    draft.head += ['payload = "sparkplug"', f"group = {quoted(first[1])}" if len(first) > 1 else ""]
    draft.head.append("rebirth = true  # asks nodes for their births: the broker must allow it")
    word = SPARKPLUG_WORDS[2 if has_devices else 1]
    draft.head.append(f'hammer = "{{{word}}}"')
    listed = [each for each in devices if each]
    if any(not HAMMER.fullmatch(each) or " " in each for each in listed):
        pairs = ", ".join(f'{quoted(each)} = "HB-{k + 1:02}"' for k, each in enumerate(listed[:20]))
        draft.head.append(f"hammers = {{ {pairs} }}  # confirm which device is which hammer")
    if not births:
        draft.notes.append(
            "no birth was heard, so metrics sent by alias have no name yet: listen when a node starts"
        )
    draft.add_channels(seen, "named", hold_s=600.0)
