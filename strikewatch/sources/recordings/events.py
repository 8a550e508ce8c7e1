"""Read `events.jsonl`: one event object per line. An invalid line is counted and skipped."""

import json
from collections.abc import Callable, Iterable
from pathlib import Path
from zoneinfo import ZoneInfo

from strikewatch.core import instant
from strikewatch.core.events import Event
from strikewatch.errors import InputError, Rejected
from strikewatch.sources.decode.events import decode_event
from strikewatch.sources.recordings.times import local_instant


def read_events(
    path: Path, site_of: Callable[[str], str], examples: dict[str, str], zone: ZoneInfo | None = None
) -> tuple[list[Event], int]:
    """Read the events of a file, which may be missing; see `parse_events`."""
    if not path.exists():
        return [], 0
    try:
        lines = path.read_bytes().splitlines()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check the permissions") from None
    return parse_events(lines, str(path), site_of, examples, zone)


def parse_events(
    lines: Iterable[bytes],
    place: str,
    site_of: Callable[[str], str],
    examples: dict[str, str],
    zone: ZoneInfo | None = None,
) -> tuple[list[Event], int]:
    """Parse events in order; return them and the number of invalid lines. The first of those goes to `examples`.

    `site_of` returns the site of a hammer whose event does not name one. `zone`: of times without an offset.
    """
    found: list[Event] = []
    sites: dict[str, str] = {}
    bad = 0
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            found.append(_event(line, site_of, sites, zone))
        except Rejected as error:
            bad += 1
            examples.setdefault("event", f"{place}: line {number}: {error.detail}")
    return found, bad


def _event(line: bytes, site_of: Callable[[str], str], sites: dict[str, str], zone: ZoneInfo | None) -> Event:
    try:
        fields = json.loads(line)
    except (ValueError, RecursionError):
        raise Rejected("not_json", "not a JSON object; write one object a line") from None
    if not isinstance(fields, dict):
        raise Rejected("shape", "not a JSON object; write one object a line")
    hammer = fields.get("hammer")
    if not isinstance(hammer, str) or not hammer:
        raise Rejected("missing", "`hammer` is missing; name the hammer the event belongs to")
    site = fields.get("site")
    if not isinstance(site, str):
        if hammer not in sites:
            sites[hammer] = site_of(hammer)
        site = sites[hammer]
    if (
        zone is not None
        and isinstance(at := fields.get("time"), str)
        and (known := local_instant(at, zone)) != at
    ):
        line = json.dumps(fields | {"time": known}).encode()
    event, _ = decode_event(line, site, hammer, instant.LATEST)
    applied = fields.get("applied")
    if applied is None:
        return event
    try:
        effective = instant.parse(applied)
    except (ValueError, TypeError):
        raise Rejected("bad_time", "`applied` is not an RFC 3339 time") from None
    return Event(event.site, event.hammer, event.kind, event.time, event.fields, effective)
