"""Events: what people do to a hammer. Each kind of event is declared once, in `KINDS`.

The decoder's validation, the fields that manual entries require, and the list of kinds that reset a timer derive from
the declarations. What a kind does to the detectors is encoded in `engine.inputs`.
"""

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal, NamedTuple, get_args

from strikewatch.core import instant
from strikewatch.core.instant import Instant

EntryKind = Literal[
    "sign_on",
    "sign_off",
    "grease",
    "check",
    "inspection",
    "service",
    "storage",
    "tool_change",
    "work",
    "hours",
    "relearn",
    "coached",
]
"""Names of the kinds that people enter and may correct later."""
KindName = Literal[EntryKind, "connection", "withdrawal"]


class EventField(NamedTuple):
    """A field of an event.

    `type`: flag (true or false), number, counts (a list of whole numbers), choice (one of `choices`), word (lower-case
    identifier), id, text, reference (to an earlier event). `low`..`high`: range of a number or of each count,
    inclusive unless `exclusive`. `max_length`: of a text in characters, of counts in items.
    """

    type: Literal["flag", "number", "counts", "choice", "word", "id", "text", "reference"]
    required: bool = False
    choices: tuple[str, ...] = ()
    low: float = 0.0
    high: float = 0.0
    exclusive: bool = False
    max_length: int = 0


class EventKind(NamedTuple):
    """A kind of event. `fields`: beside those of `COMMON_FIELDS`, by name.

    `resets_timer`: whether it resets a timer of the hammer; a correction of such an event resets it again.
    `entry_needs`: a manual entry must give at least one of these fields, or is refused with `entry_prompt`. Gateways
    need not, because for them the contract alone counts.
    """

    name: KindName
    fields: Mapping[str, EventField]
    resets_timer: bool = False
    entry_needs: tuple[str, ...] = ()
    entry_prompt: str = ""


_FLAG: Final = EventField("flag")
_ID: Final = EventField("id")
_WORD: Final = EventField("word")
_MM: Final = EventField("number", high=10_000.0, exclusive=True)


def _choice(*choices: str, required: bool = False) -> EventField:
    return EventField("choice", required, choices)


COMMON_FIELDS: Final[Mapping[str, EventField]] = {
    "corrects": EventField("reference"),  # the earlier event that this one replaces
    "confirmed": _FLAG,  # an unusual value was checked and is right
    "operator": _ID,
    "note": EventField("text", max_length=2000),
}
"""Fields that every event may have, beside its kind, its time and its hammer."""

KINDS: Final[Mapping[str, EventKind]] = {
    kind.name: kind
    for kind in (
        EventKind("sign_on", {"operator": EventField("id", required=True)}),
        EventKind("sign_off", {}),
        EventKind(
            "grease",
            # strokes of the grease gun, per nipple
            {"strokes": EventField("counts", high=1000, max_length=16), "method": _WORD},
            resets_timer=True,
            entry_needs=("strokes", "method"),
            entry_prompt="enter the strokes to each nipple, or how it was greased",
        ),
        EventKind("check", {"result": _choice("ok", "defect", required=True)}, resets_timer=True),
        EventKind(
            "inspection",
            {
                "bushing": _choice(
                    "first_groove_visible",
                    "second_groove_visible",
                    "second_groove_faint",
                    "second_groove_gone",
                ),
                "turned_before": _FLAG,
                "bushing_new": _FLAG,  # the readings are of a new bushing
                "bore_mm": _MM,
                "tool_mm": _MM,  # diameter of the tool where the bushing guides it
                "tool_length_mm": _MM,
                "nothing_measured": _FLAG,  # visual inspection only
            },
            resets_timer=True,
            entry_needs=(
                "bushing",
                "bushing_new",
                "bore_mm",
                "tool_mm",
                "tool_length_mm",
                "nothing_measured",
            ),
            entry_prompt="enter the wear grooves or a measurement, or tick that nothing was measured",
        ),
        EventKind(
            "service",
            {"seals": _FLAG, "diaphragms": _FLAG},
            resets_timer=True,
            entry_needs=("seals", "diaphragms"),
            entry_prompt="tick what was serviced",
        ),
        EventKind("storage", {"state": _choice("in", "out", required=True)}, resets_timer=True),
        EventKind(
            "tool_change",
            {
                "tool": EventField("word", required=True),  # this and the next two: of the tool now fitted
                "serial": _ID,
                "material": _WORD,
                "reason": _choice("worn", "broken", "lost", "swapped"),  # why the previous tool was removed
            },
        ),
        EventKind(
            "work",  # the type of work from now on
            {
                "work": _choice("boulders", "trenching", "benching", "demolition", required=True),
                "hard": _FLAG,
                "abrasive": _FLAG,
                "cut_edge": _FLAG,
            },
        ),
        EventKind(
            "hours",  # a reading of the carrier's hour meter
            {
                "meter_h": EventField("number", required=True, high=1_000_000.0),
                # A value below the last one needs a reason: moved to another carrier, meter replaced, correction.
                "reason": _choice("reading", "moved", "replaced", "corrected"),
            },
            resets_timer=True,
        ),
        EventKind(
            "relearn",  # discard the learned baseline, for example because the hammer is on another carrier now
            {"by": _ID},
            entry_needs=("note",),
            entry_prompt="say why the baseline is to be learned again",
        ),
        EventKind(
            "coached",  # an operator was coached on a fault
            {"operator": EventField("id", required=True), "fault": EventField("word", required=True)},
        ),
        EventKind(
            "connection",  # lost: the gateway is offline; stale: its source is
            {"state": _choice("lost", "stale", "restored", required=True)},
        ),
        EventKind(
            "withdrawal",  # an earlier event was wrong and is not replaced
            {"corrects": EventField("reference", required=True)},
            entry_needs=("corrects",),
            entry_prompt="name the entry to withdraw",
        ),
    )
}
"""Every kind of event by name, in the order of the contract."""

ENTRY_KINDS: Final[tuple[EntryKind, ...]] = get_args(EntryKind)
TIMER_RESETTING_KINDS: Final = tuple(kind.name for kind in KINDS.values() if kind.resets_timer)
METER_REASONS: Final = KINDS["hours"].fields["reason"].choices
"""Why an hour meter value is logged; detectors get its index."""


@dataclass(frozen=True, slots=True)
class Event:
    """One event of one hammer.

    An event with `corrects` in its `fields` replaces an earlier event of the same hammer; a `withdrawal` only removes
    it.

    `time`: when it happened. `applied`: when it takes effect; later than `time` only where the event arrived after the
    hammer's rows had been processed (from a phone that was offline, for example). `fields`: the rest of the payload,
    validated (`operator`, `strokes`, `method`, ...).
    """

    site: str
    hammer: str
    kind: str
    time: Instant
    fields: dict[str, Any] = field(default_factory=dict)
    applied: Instant = -1

    @property
    def effective(self) -> Instant:
        """When the event takes effect."""
        return max(self.time, self.applied)

    @property
    def corrects(self) -> tuple[str, Instant] | None:
        """Kind and time of the earlier event that this one corrects, or None."""
        corrected = self.fields.get("corrects")
        return None if corrected is None else (corrected["event"], instant.parse(corrected["time"]))


def reference_to(event: Event) -> dict[str, str]:
    """Return the value of `corrects` that refers to an event: its kind and its time, to the nanosecond."""
    return {"event": event.kind, "time": instant.exact_text(event.time)}


def drop_corrected(events: Iterable[Event]) -> list[Event]:
    """Drop the events that a later event corrects, and withdrawals; `events` in the order of arrival.

    As in the detectors, a correction applies to the oldest remaining event of that kind and time.
    """
    remaining: dict[int, Event] = {}
    by_reference: dict[tuple[str, str, str, Instant], deque[int]] = {}
    for k, event in enumerate(events):
        if event.corrects is not None:
            matching = by_reference.get((event.site, event.hammer, *event.corrects))
            if matching:
                del remaining[matching.popleft()]
        if event.kind != "withdrawal":
            remaining[k] = event
            by_reference.setdefault((event.site, event.hammer, event.kind, event.time), deque()).append(k)
    return list(remaining.values())
