"""Events that detectors heed, as records of `kernels.EVENT`."""

import hashlib
from collections.abc import Callable, Iterable, Mapping
from fractions import Fraction
from typing import Any, Final

import numpy as np

from strikewatch.alarm import crew
from strikewatch.detect.kernels import (
    CHECKED,
    EVENT,
    FITTED,
    GREASING,
    INSPECTED,
    METERED,
    SERVICED,
    SIGNED,
    STORED,
)
from strikewatch.model.events import METER_REASONS, Event
from strikewatch.model.instant import SECOND


def records(events: Iterable[Event]) -> Any:
    """Those that some detector heeds, in the order given [n] of EVENT."""
    heeded = [event for event in events if event.kind in _KINDS]
    made = np.zeros(len(heeded), EVENT)
    for record, event in zip(made, heeded, strict=True):
        kind, more = _KINDS[event.kind]
        record["at"] = event.effective
        record["age"] = event.effective - event.time
        record["kind"] = kind
        for name, value in more(event).items():
            record[name] = value
    return made


def _greasing(event: Event) -> dict[str, int]:
    strokes: list[int] = event.fields.get("strokes") or []
    manual = event.fields.get("method", "manual") == "manual"
    return {"nipples": len(strokes), "strokes": min(strokes, default=0), "manual": manual}


def _sign_on(event: Event) -> dict[str, int]:
    name = hashlib.blake2b(event.fields["operator"].encode(), digest_size=8).digest()
    return {
        "lapses": event.effective + crew.SIGN_ON_LASTS,
        "value": int.from_bytes(name, "little", signed=True),
    }


def _storage(event: Event) -> dict[str, int]:
    return {"detail": event.fields["state"] == "in"}


def _sign_off(event: Event) -> dict[str, int]:
    return {"lapses": event.effective}


def _reading(event: Event) -> dict[str, int]:
    told = round(Fraction(repr(float(event.fields["meter_h"]))) * 3600 * SECOND)
    return {"value": told, "detail": METER_REASONS.index(event.fields.get("reason", "reading"))}


_KINDS: Final[Mapping[str, tuple[int, Callable[[Event], dict[str, int]]]]] = {
    "grease": (GREASING, _greasing),
    "service": (SERVICED, lambda _: {"detail": 1}),
    "relearn": (SERVICED, lambda _: {}),
    "sign_on": (SIGNED, _sign_on),
    "sign_off": (SIGNED, _sign_off),
    "tool_change": (FITTED, lambda _: {}),
    "check": (CHECKED, lambda _: {}),
    "inspection": (INSPECTED, lambda _: {}),
    "storage": (STORED, _storage),
    "hours": (METERED, _reading),
}
