"""Events: what people do to a hammer, one JSON object each."""

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


class _Named(BaseModel):
    """An earlier event of the same hammer, by its kind and time."""

    model_config = ConfigDict(strict=True, extra="forbid")

    event: EntryKind
    time: Annotated[str, Field(max_length=64)] = ""
    time_ms: int = 0


class _Sent(BaseModel):
    """What every event may bear. `hammer` and `site` are for files; from MQTT the topic counts.

    `corrects`: the earlier event that this one replaces. `confirmed`: an unusual value was asked about, and is right.
    """

    model_config = ConfigDict(strict=True, extra="allow", allow_inf_nan=False)

    time: Annotated[str, Field(max_length=64)] = ""
    time_ms: int = 0
    corrects: _Named | None = None
    confirmed: bool | None = None
    event: str
    site: Id = ""
    hammer: Id = ""
    operator: Id | None = None
    note: Annotated[str, Field(max_length=2000)] | None = None


class _SignOn(_Sent):
    event: Literal["sign_on"]
    operator: Id


class _SignOff(_Sent):
    event: Literal["sign_off"]


class _Grease(_Sent):
    event: Literal["grease"]
    strokes: (
        Annotated[list[Annotated[int, Field(ge=0, le=1000)]], Field(min_length=1, max_length=16)] | None
    ) = None
    method: Word | None = None


class _Check(_Sent):
    event: Literal["check"]
    result: Literal["ok", "defect"]


class _Inspection(_Sent):
    """`tool_mm` is the tool's diameter where the bushing guides it. `bushing_new`: these are readings of a bushing that
    was put in just then. `nothing_measured`: it was looked at only."""

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


class _Service(_Sent):
    """What was serviced."""

    event: Literal["service"]
    seals: bool | None = None
    diaphragms: bool | None = None


class _Storage(_Sent):
    event: Literal["storage"]
    state: Literal["in", "out"]


class _ToolChange(_Sent):
    """`tool`, `serial`, `material`: of the tool that is fitted now. `reason`: why the one before came off."""

    event: Literal["tool_change"]
    tool: Word
    serial: Id | None = None
    material: Word | None = None
    reason: Literal["worn", "broken", "lost", "swapped"] | None = None


class _Work(_Sent):
    """What the hammer is put to from now on."""

    event: Literal["work"]
    work: Literal["boulders", "trenching", "benching", "demolition"]
    hard: bool | None = None
    abrasive: bool | None = None
    cut_edge: bool | None = None


class _Hours(_Sent):
    """The carrier's hour meter. Below what it stood at, it is taken only with a reason."""

    event: Literal["hours"]
    meter_h: Annotated[float, Field(ge=0, le=1_000_000)]
    reason: Literal["reading", "moved", "replaced", "corrected"] = "reading"


class _Relearn(_Sent):
    """Forget what was learned of the hammer: it came to another carrier, say."""

    event: Literal["relearn"]
    by: Id | None = None


class _Connection(_Sent):
    """Whether values still arrive: lost (the gateway), stale (what it reads) or restored; a last will has no time."""

    event: Literal["connection"]
    state: Literal["lost", "stale", "restored"]


class _Withdrawal(_Sent):
    """An earlier event was wrong, and nothing takes its place. `time` is when it was withdrawn."""

    event: Literal["withdrawal"]
    corrects: _Named


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
_FRAME: Final = frozenset({"event", "site", "hammer"}) | times.TIME_KEYS


def decode_event(
    payload: bytes, site: str, hammer: str, latest: Instant, received: Instant | None = None
) -> tuple[Event, tuple[str, ...]]:
    """The event, and the names of unknown keys. Raises Rejected.

    Where `site` or `hammer` is "", it is taken from the object itself (a line of `events.jsonl`).
    `latest`: the last instant that the receiver's clock lets pass. `received`: the time of a `connection` event that
    bears none, since a last will is written long before it is sent.
    """
    try:
        sent = _ADAPTER.validate_json(payload)
    except ValidationError as error:
        raise strict_json.rejected(error, skip=1) from None  # the first step is the kind of event
    twice = strict_json.read_again(payload)
    if isinstance(twice, Rejected):
        raise twice
    given = sent.model_dump(include=sent.model_fields_set - (sent.model_extra or {}).keys())
    if sent.event == "connection" and received is not None and times.TIME_KEYS.isdisjoint(given):
        time = received
    else:
        time = times.of(given, latest)
    site, hammer = site or sent.site, hammer or sent.hammer
    for name, value in (("site", site), ("hammer", hammer)):
        if not value:
            raise Rejected("missing", f"{name}: is missing")
    fields = {name: value for name, value in given.items() if name not in _FRAME and value is not None}
    if sent.corrects is not None:
        wrong = sent.corrects.model_dump(include=sent.corrects.model_fields_set)
        wrong_time = times.of(wrong, latest, "corrects")
        fields["corrects"] = {"event": sent.corrects.event, "time": instant.exact_text(wrong_time)}
    unknown = tuple(name[:80] for name in sent.model_extra or {})
    return Event(site, hammer, sent.event, time, fields), unknown
