"""Encode what a gateway sends: rows as payloads of the contract, in four forms, and events."""

import json
from collections.abc import Iterator
from itertools import pairwise
from typing import Any, Final

import numpy as np

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.channels import CHANNELS, PSI_PER_BAR
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.demo.feed import Form

SENML: Final = {
    "active": ("active", "", 1.0),
    "pressure_bar": ("pressure", "Pa", 1e5),
    "oil_c": ("oil", "Cel", 1.0),
    "engine_rpm": ("engine_rpm", "1/min", 1.0),
}
"""Channel: SenML name, unit of the IANA registry, and the factor from our unit to it."""


def millis(time_ns: Instant) -> str:
    """Format as RFC 3339 in UTC with milliseconds."""
    return instant.text(time_ns)[:-4] + "Z"


def event_payload(event: Event) -> bytes:
    """Encode one event."""
    return dump({"time": millis(event.time), "event": event.kind} | event.fields)


def payloads(rows: Rows, form: Form, step_s: float, carrier: str) -> Iterator[tuple[Instant, bytes]]:
    """Split `rows` into messages of at most one second, in order: (time of the last row, payload)."""
    if form == "instant":
        for row in range(len(rows)):
            yield int(rows.time_ns[row]), dump(_instant(rows, row))
        return
    step_ns = round(step_s * SECOND)
    breaks = (np.diff(rows.time_ns) != step_ns) | (np.diff(rows.time_ns // SECOND) != 0)
    edges = [0, *(np.flatnonzero(breaks) + 1).tolist(), len(rows)]
    for first, last in pairwise(edges):
        if first < last:
            part = rows[first:last]
            body = _senml(part, carrier) if form == "senml" else block(part, step_s, form == "imperial")
            yield int(part.time_ns[-1]), dump(body)


def block(rows: Rows, step_s: float, imperial: bool = False) -> dict[str, Any]:
    """Build a columnar block of rows on an even grid. A channel sampled only at the first instant is a scalar."""
    body: dict[str, Any] = {"time": millis(int(rows.time_ns[0])), "step_s": step_s}
    for name, column in rows.columns.items():
        values = [None if np.isnan(value) else _value(name, float(value)) for value in column]
        if imperial:
            name, values = _imperial(name, values)
        if any(value is not None for value in values[1:]):
            body[name] = values
        elif values[0] is not None:
            body[name] = values[0]
    return body


def _instant(rows: Rows, row: int) -> dict[str, Any]:
    values = {name: float(column[row]) for name, column in rows.columns.items()}
    sampled = {name: _value(name, value) for name, value in values.items() if not np.isnan(value)}
    return {"time": millis(int(rows.time_ns[row])), **sampled}


def _value(name: str, value: float) -> float | bool:
    return value == 1.0 if CHANNELS[name].boolean else value


def _imperial(name: str, values: list[Any]) -> tuple[str, list[Any]]:
    if name == "oil_c":
        return "oil_f", [None if value is None else round(value * 1.8 + 32.0, 2) for value in values]
    if name == "pressure_bar":
        return "pressure_psi", [None if value is None else round(value * PSI_PER_BAR, 1) for value in values]
    return name, values


def _senml(rows: Rows, carrier: str) -> list[dict[str, Any]]:
    """Build an RFC 8428 pack; the authority in its name is the number that RFC 5612 reserves for examples."""
    base_ns = int(rows.time_ns[0])
    records: list[dict[str, Any]] = []
    for name, column in rows.columns.items():
        label, unit, factor = SENML[name]
        for time_ns, value in zip(rows.time_ns.tolist(), column.tolist(), strict=True):
            if np.isnan(value):
                continue
            record: dict[str, Any] = {"n": label}
            if unit:
                record |= {"u": unit, "v": round(value * factor, 6)}
            else:
                record["vb"] = value == 1.0
            if time_ns != base_ns:
                record["t"] = (time_ns - base_ns) / SECOND
            records.append(record)
    records[0] |= {"bn": f"urn:dev:os:32473-{carrier}:", "bt": base_ns / SECOND}
    return records


def dump(body: Any) -> bytes:
    """Encode as compact JSON in UTF-8."""
    return json.dumps(body, separators=(",", ":")).encode()
