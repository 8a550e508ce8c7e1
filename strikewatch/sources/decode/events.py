"""Decode events: what people do to a hammer, one JSON object each."""

from collections.abc import Mapping
from typing import Annotated, Final, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from strikewatch.core import instant
from strikewatch.core.events import EntryKind, Event
from strikewatch.core.instant import Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import strict_json, times
from strikewatch.sources.decode.topic import ID_PATTERN

Id = Annotated[str, Field(pattern=ID_PATTERN)]
Word = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_\-]{0,31}$")]
Millimetres = Annotated[float, Field(gt=0, lt=10_000)]


class _Reference(BaseModel):
    """A reference to an earlier event of the same hammer, by kind and time."""

    model_config = ConfigDict(strict=True, extra="forbid")

    event: EntryKind
    time: Annotated[str, Field(max_length=64)] = ""
    time_ms: int = 0


class _EventModel(BaseModel):
    """Keys that every event may have. `hammer` and `site` are for files; over MQTT the topic counts.

    `corrects`: the earlier event that this one replaces. `confirmed`: an unusual value was checked and is right.
    """

    model_config = ConfigDict(strict=True, extra="allow", allow_inf_nan=False)

    time: Annotated[str, Field(max_length=64)] = ""
    time_ms: int = 0
    corrects: _Reference | None = None
    confirmed: bool | None = None
    event: str
    site: Id = ""
    hammer: Id = ""
    operator: Id | None = None
    note: Annotated[str, Field(max_length=2000)] | None = None


class _SignOn(_EventModel):
    event: Literal["sign_on"]
    operator: Id


class _SignOff(_EventModel):
    event: Literal["sign_off"]


class _Grease(_EventModel):
    event: Literal["grease"]
    strokes: (
        Annotated[list[Annotated[int, Field(ge=0, le=1000)]], Field(min_length=1, max_length=16)] | None
    ) = None
    method: Word | None = None


class _Check(_EventModel):
    event: Literal["check"]
    result: Literal["ok", "defect"]


class _Inspection(_EventModel):
    """`tool_mm`: diameter of the tool where the bushing guides it. `bushing_new`: the readings are of a new bushing.
    `nothing_measured`: visual inspection only."""

    event: Literal["inspection"]
    bushing: (
        Literal["first_groove_visible", "second_groove_visible", "second_groove_faint", "second_groove_gone"]
        | None
    ) = None
    turned_before: bool | None = None
    bushing_new: bool | None = None
    bore_mm: Millimetres | None = None
    tool_mm: Millimetres | None = None
    tool_length_mm: Millimetres | None = None
    nothing_measured: bool | None = None


class _Service(_EventModel):
    """What was serviced."""

    event: Literal["service"]
    seals: bool | None = None
    diaphragms: bool | None = None


class _Storage(_EventModel):
    event: Literal["storage"]
    state: Literal["in", "out"]


class _ToolChange(_EventModel):
    """`tool`, `serial`, `material`: of the tool now fitted. `reason`: why the previous one was removed."""

    event: Literal["tool_change"]
    tool: Word
    serial: Id | None = None
    material: Word | None = None
    reason: Literal["worn", "broken", "lost", "swapped"] | None = None


class _Work(_EventModel):
    """The type of work from now on."""

    event: Literal["work"]
    work: Literal["boulders", "trenching", "benching", "demolition"]
    hard: bool | None = None
    abrasive: bool | None = None
    cut_edge: bool | None = None


class _Hours(_EventModel):
    """A reading of the carrier's hour meter. A value below the last one is accepted only with a reason."""

    event: Literal["hours"]
    meter_h: Annotated[float, Field(ge=0, le=1_000_000)]
    reason: Literal["reading", "moved", "replaced", "corrected"] = "reading"


class _Relearn(_EventModel):
    """Discard the learned baseline of the hammer, for example because it is on another carrier now."""

    event: Literal["relearn"]
    by: Id | None = None


class _Connection(_EventModel):
    """State of the feed: lost (gateway offline), stale (its source offline) or restored. A last will has no time."""

    event: Literal["connection"]
    state: Literal["lost", "stale", "restored"]


class _Withdrawal(_EventModel):
    """An earlier event was wrong and is not replaced. `time`: when it was withdrawn."""

    event: Literal["withdrawal"]
    corrects: _Reference


_Any = (
    _SignOn
    | _SignOff
    | _Grease
    | _Check
    | _Inspection
    | _Service
    | _Storage
    | _ToolChange
    | _Work
    | _Hours
    | _Relearn
    | _Connection
    | _Withdrawal
)
FIELDS: Final[Mapping[str, tuple[str, ...]]] = {
    get_args(model.model_fields["event"].annotation)[0]: tuple(model.model_fields) for model in get_args(_Any)
}
"""The keys of each kind of event."""
_ADAPTER: Final[TypeAdapter[_Any]] = TypeAdapter(Annotated[_Any, Field(discriminator="event")])
_ENVELOPE: Final = frozenset({"event", "site", "hammer"}) | times.TIME_KEYS


def decode_event(
    payload: bytes, site: str, hammer: str, latest: Instant, received: Instant | None = None
) -> tuple[Event, tuple[str, ...]]:
    """Decode one event; return it and the names of unknown keys. Raises Rejected.

    Where `site` or `hammer` is "", it is taken from the object itself (a line of `events.jsonl`).
    `latest`: times after it are rejected. `received`: the time of a `connection` event without one, because a last will
    is written long before it is sent.
    """
    try:
        sent = _ADAPTER.validate_json(payload)
    except ValidationError as error:
        raise strict_json.rejected(error, skip=1) from None  # the first part of the path is the kind of event
    strict = strict_json.read_again(payload)
    if isinstance(strict, Rejected):
        raise strict
    given = sent.model_dump(include=sent.model_fields_set - (sent.model_extra or {}).keys())
    if sent.event == "connection" and received is not None and times.TIME_KEYS.isdisjoint(given):
        time = received
    else:
        time = times.of(given, latest)
    site, hammer = site or sent.site, hammer or sent.hammer
    for name, value in (("site", site), ("hammer", hammer)):
        if not value:
            raise Rejected("missing", f"{name}: is missing")
    fields = {name: value for name, value in given.items() if name not in _ENVELOPE and value is not None}
    if sent.corrects is not None:
        corrected = sent.corrects.model_dump(include=sent.corrects.model_fields_set)
        corrected_time = times.of(corrected, latest, "corrects")
        fields["corrects"] = {"event": sent.corrects.event, "time": instant.exact_text(corrected_time)}
    unknown = tuple(name[:80] for name in sent.model_extra or {})
    return Event(site, hammer, sent.event, time, fields), unknown
