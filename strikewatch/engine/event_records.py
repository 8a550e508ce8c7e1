"""Event records: the events that detectors use, as numpy records of `kernels.EVENT`."""

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from fractions import Fraction
from typing import Any, Final

import numpy as np

from strikewatch.core.events import METER_REASONS, TIMER_RESETTING_KINDS, Event
from strikewatch.core.instant import SECOND
from strikewatch.detectors.kernels import (
    CHECKED,
    CORRECTED,
    EVENT,
    FITTED,
    GREASING,
    INSPECTED,
    METERED,
    NOTHING,
    SERVICED,
    SIGNED,
    STORED,
)
from strikewatch.engine.attribution import SIGN_ON_EXPIRES_AFTER


def event_records(events: Iterable[Event]) -> Any:
    """Encode the events that some detector uses, in the order given [n] of EVENT.

    A correction of an event that resets a timer is one record; where an event of another kind replaces it, two.
    """
    encoded = [values for event in events for values in _encode(event)]
    records = np.zeros(len(encoded), EVENT)
    for record, values in zip(records, encoded, strict=True):
        for name, value in values.items():
            record[name] = value
    return records


def _encode(event: Event) -> Iterator[dict[str, int]]:
    common: dict[str, int] = {"at": event.effective, "age": event.effective - event.time}
    plain: dict[str, int] = {}
    if event.kind in _ENCODERS:
        kind, encode_fields = _ENCODERS[event.kind]
        plain = {"kind": kind, **encode_fields(event)}
    corrected = event.corrects
    if corrected is not None and corrected[0] in TIMER_RESETTING_KINDS:
        code = _ENCODERS[corrected[0]][0]
        correction = {
            **common,
            "kind": CORRECTED,
            "wrong": code,
            "wrong_time": corrected[1],
            "right": NOTHING,
        }
        if event.kind == corrected[0]:
            yield {**plain, **correction, "right": code}
            return
        yield correction
    if plain:
        yield {**common, **plain}


def _greasing(event: Event) -> dict[str, int]:
    strokes: list[int] = event.fields.get("strokes") or []
    manual = event.fields.get("method", "manual") == "manual"
    return {"nipples": len(strokes), "strokes": min(strokes, default=0), "manual": manual}


def _sign_on(event: Event) -> dict[str, int]:
    operator = hashlib.blake2b(event.fields["operator"].encode(), digest_size=8).digest()
    return {
        "lapses": event.effective + SIGN_ON_EXPIRES_AFTER,
        "value": int.from_bytes(operator, "little", signed=True),
    }


def _storage(event: Event) -> dict[str, int]:
    return {"detail": event.fields["state"] == "in"}


def _sign_off(event: Event) -> dict[str, int]:
    return {"lapses": event.effective}


def _hour_meter(event: Event) -> dict[str, int]:
    meter_ns = round(Fraction(repr(float(event.fields["meter_h"]))) * 3600 * SECOND)
    return {"value": meter_ns, "detail": METER_REASONS.index(event.fields.get("reason", "reading"))}


_ENCODERS: Final[Mapping[str, tuple[int, Callable[[Event], dict[str, int]]]]] = {
    "grease": (GREASING, _greasing),
    "service": (SERVICED, lambda _: {"detail": 1}),
    "relearn": (SERVICED, lambda _: {}),
    "sign_on": (SIGNED, _sign_on),
    "sign_off": (SIGNED, _sign_off),
    "tool_change": (FITTED, lambda _: {}),
    "check": (CHECKED, lambda _: {}),
    "inspection": (INSPECTED, lambda _: {}),
    "storage": (STORED, _storage),
    "hours": (METERED, _hour_meter),
}
