"""The tables of `sources.toml`: one per source, as written, with every field checked by itself.

What only several fields together show is checked in `mistakes`.
"""

import re
from collections.abc import Callable
from datetime import datetime
from difflib import get_close_matches
from functools import cache
from typing import Annotated, Any, Final, Literal, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    model_validator,
)

from strikewatch.core import instant
from strikewatch.sources.decode.topic import is_id
from strikewatch.sources.mapping import paths
from strikewatch.sources.mapping.patterns import Name, Topic
from strikewatch.sources.mapping.times import NS_PER

Scalar = str | bool | int | float

FILE_PAYLOADS: Final = ("table", "can")
SPARKPLUG_NAMESPACE: Final = "spBv1.0"
SPARKPLUG_WORDS: Final = ("group", "node", "device")
MAX_TEXT: Final = 512
_OFFSET: Final = re.compile(r"([Zz]|[+-]\d\d:\d\d)$", re.ASCII)


def close(word: str, known: Any, template: str = "; did you mean {}?") -> str:
    """Return a suggestion for a misspelt word; empty if nothing is similar."""
    folded = {str(each).casefold(): str(each) for each in known}
    near = get_close_matches(word[:MAX_TEXT].casefold(), folded, 1)
    return template.format(folded[near[0]]) if near else ""


def _as_tuple(given: Any) -> Any:
    return tuple(given) if isinstance(given, list) else (given,)


def _scalars(given: Any) -> tuple[Scalar, ...]:
    values = given if isinstance(given, list) else [given]
    for value in values:
        if not isinstance(value, str | bool | int | float):
            raise ValueError("must be texts, numbers, true or false, or a list of them")
    return tuple(values)


def _where(given: Any) -> Any:
    if not isinstance(given, dict):
        raise ValueError('must be a table of paths and the values to use, like { "@.quality" = "good" }')
    for place in given:
        if not place.startswith("{"):
            paths.parse(place)
    return {place: _scalars(values) for place, values in given.items()}


def _checked(check: Callable[[str], object]) -> AfterValidator:
    """Return a validator that leaves a text as it is, and raises what `check` raises for it."""

    def checked(text: str) -> str:
        check(text)
        return text

    return AfterValidator(checked)


def _records(text: str) -> None:
    if (root := paths.parse(text, many=True).root) != "$":
        raise ValueError(f"{text!r} begins with {root}; records are looked for from $, the message")


def _value_path(text: str) -> None:
    try:
        paths.parse(text)
    except ValueError as error:
        if paths.is_path(text):
            raise
        raise ValueError(f'{error}; if it is the name of a value, write named = "{text[:60]}"') from None


def _text_or_path(text: str) -> None:
    if len(text) > MAX_TEXT:
        raise ValueError(f"is longer than {MAX_TEXT} characters")
    if paths.is_path(text):
        paths.parse(text)
    else:
        Name(text)  # a word in braces is well formed


def _group(text: str) -> None:
    if not text or len(text) > MAX_TEXT // 2 or any(sign in text for sign in "/+#{}\0"):
        raise ValueError(f"{text[:60]!r} is not the id of a Sparkplug group: it is one level of the topic")


def _zone(text: str) -> None:
    if text not in _zones():
        raise ValueError(
            f"{text!r} is not a time zone{close(text, _zones()) or ', like Europe/Vienna or UTC'}"
        )


@cache
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


def _form(text: str) -> None:
    if text in (*NS_PER, "iso", "arrival", "log"):
        return
    if "%" not in text:
        known = ", ".join((*NS_PER, "iso"))
        raise ValueError(f"{text!r} is none of {known}, and not a pattern like '%d.%m.%Y %H:%M:%S'")
    try:
        sample = datetime(2026, 3, 4, 7, 15, 30, tzinfo=ZoneInfo("UTC")).strftime(text)
        datetime.strptime(sample, text)  # noqa: DTZ007  # only whether it can be read
    except ValueError as error:
        raise ValueError(f"{text!r} is not a pattern that can be read: {error}") from None


def has_offset(text: str) -> bool:
    """Tell whether a time ends with an offset from UTC."""
    return _OFFSET.search(text) is not None


def _since(text: str) -> None:
    try:
        instant.parse(text if has_offset(text) else f"{text}Z")
    except ValueError:
        raise ValueError(
            f"{text[:60]!r} is neither a path nor a time like 2000-01-01T00:00:00Z (without Z: on the clock of `zone`)"
        ) from None


def _hammer_ids(hammers: dict[str, str]) -> dict[str, str]:
    for device, hammer in hammers.items():
        parts = hammer.split("/")
        if len(parts) > 2 or not all(map(is_id, parts)):
            raise ValueError(f"{device!r}: {hammer!r} is neither a hammer's id nor `site/hammer`")
    return hammers


PathText = Annotated[str, _checked(paths.parse)]
TextOrPath = Annotated[str, _checked(_text_or_path)]
Scalars = Annotated[tuple[Scalar, ...], BeforeValidator(_scalars)]
Where = Annotated[dict[str, tuple[Scalar, ...]], BeforeValidator(_where)]
Range = Annotated[tuple[float, float], BeforeValidator(_as_tuple)]
Topics = Annotated[tuple[Annotated[str, _checked(Topic)], ...], BeforeValidator(_as_tuple)]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)


class TimeTable(_Table):
    """Where an instant is and how it is written.

    `form`: also `arrival` (none is sent) and `log` (the time of a log file's lines). `since`: of a count, the instant
    from which it counts: with an offset, without one on the clock of `zone`, or as the table of where it is sent.
    """

    at: PathText | tuple[PathText, ...] | None = None
    form: Annotated[str, _checked(_form)] = Field("iso", alias="as")
    zone: Annotated[str, _checked(_zone)] | None = None
    since: "Since | None" = None

    @model_validator(mode="before")
    @classmethod
    def _short(cls, given: Any) -> Any:
        if isinstance(given, str):
            if given == "arrival":
                return {"as": given}
            raise ValueError(
                f'{given!r} is neither "arrival" nor a table like {{ at = "@.time", as = "iso" }}'
            )
        if not isinstance(given, dict):
            return given
        if isinstance(given.get("at"), list):
            given = {**given, "at": tuple(given["at"])}
        if isinstance(since := given.get("since"), str) and paths.is_path(since):
            given = {**given, "since": {"at": since, "as": given.get("as", "iso")}}
        return given

    @property
    def counts_locally(self) -> bool:
        """Whether it counts on the clock of a zone: from an instant without an offset."""
        return isinstance(self.since, str) and not has_offset(self.since)


Since = Annotated[
    Annotated[str, _checked(_since), Tag("one-text")] | Annotated[TimeTable, Tag("one-table")],
    Discriminator(lambda given: "one-text" if isinstance(given, str) else "one-table"),
]
TimeTable.model_rebuild()


class StepTable(_Table):
    """Where the step between two values of an array is; `Hz`: it is their rate."""

    at: PathText
    form: Literal["s", "ms", "us", "ns", "Hz"] = Field("s", alias="as")


class ChannelTable(_Table):
    """Where a channel's value is, and what it means."""

    at: Annotated[str, _checked(_value_path)] | None = None
    named: Annotated[str, _checked(Name)] | None = None
    constant: Scalar | None = Field(None, alias="is")
    unit: str | None = None
    scale: float = 1.0
    offset: float = 0.0
    raw: Range | None = Field(None, alias="from")
    to: Range | None = None
    missing: Scalars = ()
    on: Scalars = ()
    off: Scalars = ()
    on_from: float | None = None
    bit: Annotated[int, Field(ge=0, le=63)] | None = None
    where: Where = {}
    hold_s: float | None = None

    @model_validator(mode="before")
    @classmethod
    def _short(cls, given: Any) -> Any:
        return {"at": given} if isinstance(given, str) else given


class EventField(_Table):
    """A field of an event: a constant, a text with words, or a path, with the words for what is there."""

    at: PathText | None = None
    constant: Any = Field(None, alias="is")
    words: dict[str, Scalar] | None = None
    scale: float = 1.0
    offset: float = 0.0

    @model_validator(mode="before")
    @classmethod
    def _short(cls, given: Any) -> Any:
        if isinstance(given, str) and paths.is_path(given):
            return {"at": given}
        return given if isinstance(given, dict) else {"is": given}

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if (self.at is None) == (self.constant is None):
            raise ValueError(
                'give `at`, a path, or `is`, a value; like { at = "@.way", words = { in = "sign_on" } }'
            )
        return self


class SourceTable(_Table):
    """One source."""

    topic: Topics = ()
    file: Annotated[str, Field(min_length=1, max_length=MAX_TEXT)] | None = None
    payload: Literal["json", "jsonl", "text", "csv", "cbor", "msgpack", "sparkplug", "table", "can"] = "json"
    packed: Literal["gzip", "zlib", "deflate"] | None = None
    records: Annotated[str, _checked(_records)] | None = None
    time: TimeTable | None = None
    step: StepTable | None = None
    step_s: Annotated[float, Field(ge=1e-6, le=86_400)] | None = None
    site: TextOrPath = "{site}"
    hammer: TextOrPath = "{hammer}"
    hammers: Annotated[dict[str, str], AfterValidator(_hammer_ids)] = {}
    where: Where = {}
    name: TextOrPath | None = None
    value: PathText | None = None
    decimal: Literal[".", ","] = "."
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] = ","
    header: bool | None = None
    retained: Literal["skip", "take"] = "skip"
    channels: dict[str, ChannelTable] = {}
    event: dict[str, EventField] = {}
    every_s: Annotated[float, Field(ge=0, le=366 * 86_400)] = 0.0
    # Sparkplug
    group: Annotated[str, _checked(_group)] | None = None
    rebirth: bool = False
    # logger files
    encoding: str | None = None
    skip: Annotated[int, Field(ge=0, le=10_000)] = 0
    skip_after: Annotated[int, Field(ge=0, le=100)] = 0
    sheet: str | None = None
    dbc: Annotated[tuple[str, ...], BeforeValidator(_as_tuple)] = ()
    j1939: bool | None = None

    @property
    def topics(self) -> tuple[str, ...]:
        """The topic patterns; of Sparkplug those of its group, or of all groups."""
        if self.payload != "sparkplug" or self.topic:
            return self.topic
        return (f"{SPARKPLUG_NAMESPACE}/{self.group}/#" if self.group else f"{SPARKPLUG_NAMESPACE}/#",)

    @property
    def record_path(self) -> str:
        """Where the records are: the message itself, or every line of a message of lines."""
        return self.records or ("$[*]" if self.payload in ("csv", "jsonl") else "$")
