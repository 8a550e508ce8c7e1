"""Events that detectors heed, as records of `kernels.EVENT`."""

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from fractions import Fraction
from typing import Any, Final

import numpy as np

from strikewatch.core.events import METER_REASONS, SETTING_CLOCKS, Event
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
from strikewatch.engine import operator_on_duty


def records(events: Iterable[Event]) -> Any:
    """Those that some detector heeds, in the order given [n] of EVENT.

    A correction of an entry that set a clock is one record; where another kind of entry replaces it, two.
    """
    heeded = [record for event in events for record in _records(event)]
    made = np.zeros(len(heeded), EVENT)
    for record, values in zip(made, heeded, strict=True):
        for name, value in values.items():
            record[name] = value
    return made


def _records(event: Event) -> Iterator[dict[str, int]]:
    own: dict[str, int] = {"at": event.effective, "age": event.effective - event.time}
    ordinary: dict[str, int] = {}
    if event.kind in _KINDS:
        kind, more = _KINDS[event.kind]
        ordinary = {"kind": kind, **more(event)}
    wrong = event.corrects
    if wrong is not None and wrong[0] in SETTING_CLOCKS:
        code = _KINDS[wrong[0]][0]
        correction = {**own, "kind": CORRECTED, "wrong": code, "wrong_time": wrong[1], "right": NOTHING}
        if event.kind == wrong[0]:
            yield {**ordinary, **correction, "right": code}
            return
        yield correction
    if ordinary:
        yield {**own, **ordinary}


def _greasing(event: Event) -> dict[str, int]:
    strokes: list[int] = event.fields.get("strokes") or []
    manual = event.fields.get("method", "manual") == "manual"
    return {"nipples": len(strokes), "strokes": min(strokes, default=0), "manual": manual}


def _sign_on(event: Event) -> dict[str, int]:
    name = hashlib.blake2b(event.fields["operator"].encode(), digest_size=8).digest()
    return {
        "lapses": event.effective + operator_on_duty.SIGN_ON_LASTS,
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
