"""What the detectors read: the columns of a batch, the part of each hammer in them, and its events as records."""

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Any, Final, NamedTuple

import numpy as np

from strikewatch.core.batch import Batch, Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.events import METER_REASONS, TIMER_RESETTING_KINDS, Event
from strikewatch.core.instant import SECOND
from strikewatch.detectors.compiled.step import SPAN
from strikewatch.detectors.kernels import (
    CHANNEL_BITS,
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

_NO_EVENTS: Final = np.empty(0, EVENT)


class Inputs(NamedTuple):
    """What the detectors read of a batch.

    `time_ns` [n], `columns` [n] by channel, `events` of EVENT. `bad` and `good`: sets of the channels with an
    impossible and with a possible value [n]; None if no value is impossible and no hammer has a sensor fault.
    """

    time_ns: Any
    columns: Mapping[str, Any]
    events: Any
    bad: Any = None
    good: Any = None


def spans_and_events(batch: Batch, slots: Sequence[int]) -> tuple[Any, Any]:
    """Return each hammer's range of rows, watermark and range of events (SPAN), and the event records (EVENT).

    `slots`: of the parameters of each hammer.
    """
    spans = []
    encoded = [_NO_EVENTS]
    first_row = first_event = 0
    for slot, portion in zip(slots, batch.portions, strict=True):
        end_row, end_event = first_row + len(portion.rows.time_ns), first_event
        if portion.events:
            encoded.append(event_records(portion.events))
            end_event += len(encoded[-1])
        spans.append((slot, portion.watermark, first_row, end_row, first_event, end_event))
        first_row, first_event = end_row, end_event
    return np.array(spans, SPAN), np.concatenate(encoded) if first_event else _NO_EVENTS


def inputs_of(rows: Rows, events: Any) -> Inputs:
    """Return the input of the detectors, as it is."""
    n = len(rows.time_ns)
    columns = {name: np.ascontiguousarray(column, np.float64) for name, column in rows.columns.items()}
    if any(len(column) != n for column in columns.values()):
        raise ValueError("columns of different lengths")
    return Inputs(np.ascontiguousarray(rows.time_ns, np.int64), columns, events)


def without_impossible(inputs: Inputs) -> Inputs:
    """Return the input without physically impossible values, and with `bad` and `good`.

    A boolean channel allows 0 and 1 only.
    """
    columns: dict[str, Any] = {}
    bad, good = np.zeros((2, len(inputs.time_ns)), CHANNEL_BITS)
    for bit, (name, channel) in enumerate(CHANNELS.items()):
        if name in inputs.columns:
            column = inputs.columns[name]
            wrong = (column < channel.low) | (column > channel.high)
            if channel.boolean:
                wrong |= (column > channel.low) & (column < channel.high)
            columns[name] = np.where(wrong, np.nan, column)
            bad |= wrong.astype(CHANNEL_BITS) << CHANNEL_BITS(bit)
            good |= (columns[name] == columns[name]).astype(CHANNEL_BITS) << CHANNEL_BITS(bit)
    return inputs._replace(columns=columns, bad=bad, good=good)


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
