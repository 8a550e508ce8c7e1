"""Operations on a hammer's events (list them, log one) and on rejected data.

An entry must say what was done and be plausible (`entry_checks`): an impossible value is refused; an unusual value is
saved only if it is sent again with `confirmed`.
"""

import json
from dataclasses import replace
from typing import Annotated, Final, Literal

from fastapi import Query
from pydantic import ConfigDict, Field

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.events import EntryKind, Event, reference_to
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Refused, Rejected, Unknown
from strikewatch.sources.decode.events import decode_event
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.actions.entries import Entry, list_entries
from strikewatch.storage.actions.entries import add_entry as store_entry
from strikewatch.storage.queries.alerts import find_hammer
from strikewatch.storage.queries.sites import permits
from strikewatch.web.api.entry_checks import check_entry, missing_fields
from strikewatch.web.api.problems import ApiResponse, Problem, one_line
from strikewatch.web.api.routing import (
    ApiContext,
    Context,
    Fields,
    HammerName,
    Limit,
    Number,
    SiteName,
    Time,
    TimeText,
    User,
    Word,
    api_router,
    requires,
)

router = api_router()
EARLIER_ENTRIES: Final = 500
"""Entries of a hammer that a new one is compared with."""


class NewEntry(Fields):
    """An event as gateways send it, without site and hammer; its further fields are checked as theirs are."""

    model_config = ConfigDict(extra="allow", frozen=True, strict=True)

    event: Literal[EntryKind, "withdrawal"]
    time: TimeText | None = Field(
        None, description="When it happened, RFC 3339 with an offset; left out: now"
    )
    corrects: Number | None = Field(
        None, description="The number of the wrong entry that this one replaces or withdraws"
    )
    confirmed: bool | None = Field(
        None, description="The unusual value that the response asked about (`confirm`) is right"
    )


@router.get("/hammers/{hammer}/events")
def events(context: Context, hammer: HammerName, site: SiteName = None, limit: Limit = 50) -> ApiResponse:
    """List the newest events of a hammer, logged by people or sent by gateways."""
    entries = list_entries(context.database, _key(context, hammer, site), limit)
    return ApiResponse({"events": [entry.json() for entry in entries]})


@router.post("/hammers/{hammer}/events")
@requires("act")
def add_entry(
    context: Context, user: User, hammer: HammerName, body: NewEntry, site: SiteName = None
) -> ApiResponse:
    """Log an event; logging the same event again changes nothing."""
    now = context.wall()
    key = _key(context, hammer, site)
    entries = list_entries(context.database, key, EARLIER_ENTRIES)
    event = _decode(body, key, entries, now, context.max_ahead)
    if body.corrects is None and (same := _same_entry(entries, event)):
        return ApiResponse(same.json())
    _check(context, event, entries, body, now)
    return ApiResponse(store_entry(context.database, event, who=user, now=now, corrects=body.corrects).json())


def _key(context: ApiContext, hammer: str, site: str | None) -> Key:
    with context.database.read() as connection:
        return find_hammer(connection, hammer, site, context.sites)


def _decode(body: NewEntry, key: Key, entries: list[Entry], now: Instant, max_ahead: Instant) -> Event:
    """Decode an entry as an event of a gateway is decoded. Raises Problem naming the field."""
    fields = body.model_dump(exclude_unset=True, exclude={"time", "corrects"})
    fields["time"] = body.time or instant.text(now // SECOND * SECOND)  # as a form shows it
    if body.corrects is not None:
        fields["corrects"] = _reference(entries, body.corrects, key)
    try:
        event, unknown = decode_event(json.dumps(fields).encode(), *key, now + max_ahead)
    except Rejected as error:
        field, _, problem = error.detail.partition(": ")
        if error.reason == "clock_ahead":
            problem = "is in the future; enter when it was done"
        raise Problem(
            422, f"{field}: {problem}", "correct it and send it again", fields={field: problem or field}
        ) from None
    if unknown:
        raise Problem(
            422,
            f"{event.kind} has no {', '.join(unknown)}",
            "leave it out",
            fields=dict.fromkeys(unknown, "is not known here"),
        )
    return event


def _reference(entries: list[Entry], number: int, key: Key) -> dict[str, str]:
    """Return how an event names the entry of this number. Raises Unknown, Refused."""
    wrong = next((entry.event for entry in entries if entry.number == number), None)
    if wrong is None:
        raise Unknown(
            f"{key[1]} has no entry {number} among its last {EARLIER_ENTRIES}; see its list of entries"
        )
    if wrong.kind == "withdrawal":
        raise Refused(f"entry {number} is a withdrawal; enter again what was withdrawn")
    return reference_to(wrong)


def _same_entry(entries: list[Entry], event: Event) -> Entry | None:
    """Find the same entry on record, as when a device that got no response sends it again."""
    return next(
        (
            entry
            for entry in entries
            if entry.who is not None and entry.event == replace(event, applied=entry.event.applied)
        ),
        None,
    )


def _check(context: ApiContext, event: Event, entries: list[Entry], body: NewEntry, now: Instant) -> None:
    """Raise Problem for an entry that is incomplete, impossible, or unusual and not confirmed."""
    if lacking := missing_fields(event):
        raise Problem(422, one_line(lacking), "nothing was saved", fields=lacking)
    if event.kind == "hours" and body.corrects is None:
        _check_meter(context, event)
    earlier = [
        entry.event
        for entry in entries
        if entry.corrected_by is None and entry.number != body.corrects and entry.event.kind != "withdrawal"
    ]
    settings, zone = context.settings_of((event.site, event.hammer)), context.zone_of(event.site)
    problems = check_entry(event, earlier, settings, now, zone)
    if problems.impossible:
        raise Problem(422, one_line(problems.impossible), "nothing was saved", fields=problems.impossible)
    if problems.questions and not body.confirmed:
        remedy = "change it, or send it again with confirmed set to true"
        raise Problem(422, one_line(problems.questions), remedy, fields=problems.questions, confirm=True)


def _check_meter(context: ApiContext, event: Event) -> None:
    """Raise Problem for a reading, given without a reason, below what the meter must have shown."""
    expected = context.meter((event.site, event.hammer))
    if expected is None or event.fields.get("reason", "reading") != "reading":
        return
    meter_h, at = expected
    least_h = meter_h - max(0, at - event.time) / (3600 * SECOND)
    if event.fields["meter_h"] < least_h:
        problem = f"is below the {least_h:,.1f} h that the meter had reached"
        remedy = "read it again; if it is right, give the reason: moved, replaced or corrected"
        raise Problem(422, f"meter_h: {problem}", remedy, fields={"meter_h": f"{problem}; {remedy}"})


LastSeen = Annotated[Time | None, Query(description="Only what was seen since then, RFC 3339 with an offset")]
Sender = Annotated[Word, Query(description="As the list of rejects names it: SITE/HAMMER, or a topic")]


@router.get("/rejects")
def rejects(
    context: Context,
    site: Word | None = None,
    hammer: Word | None = None,
    since: LastSeen = None,
    limit: Limit = 200,
) -> ApiResponse:
    """List rejected data by sender and reason with the first bad value and the remedy, the newest first."""
    with context.database.read() as connection:
        found = feed_problems.search(
            connection,
            context.wall(),
            site=site,
            hammer=hammer,
            since=since,
            limit=limit,
            sites=context.sites,
        )
    return ApiResponse({"rejects": [problem.json() for problem in found]})


@router.get("/rejects/examples")
def reject_examples(
    context: Context, sender: Sender, limit: Annotated[int, Field(ge=1, le=100)] = 10
) -> ApiResponse:
    """List the newest rejected payloads of one sender that are still kept."""
    if not permits(context.sites, sender.partition("/")[0]):
        raise Unknown(f"nothing of {sender} can be seen with this token; see the list of rejects")
    with context.database.read() as connection:
        found = feed_problems.examples(connection, sender, limit)
    return ApiResponse({"examples": [example.json() for example in found]})
