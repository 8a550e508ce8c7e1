"""Recorded shifts from and to pandas frames. Imported only where frames are used, since it imports pandas."""

import json
from collections.abc import Mapping
from datetime import datetime
from itertools import chain
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types

from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import exact_text
from strikewatch.errors import InputError
from strikewatch.sources.recordings.events import parse_events
from strikewatch.sources.recordings.read_options import ReadOptions
from strikewatch.sources.recordings.shift import Shift, TableShift

UNNAMED_SITE: Final = "unnamed"
"""The site of a frame without a column `site`."""


def samples_frame(shift: Shift) -> pd.DataFrame:
    """Return the samples of a shift, one hammer after another; columns as in `strikewatch.RecordedShift`."""
    pieces = list(shift.pieces())
    names = list(dict.fromkeys(name for _, rows in pieces for name in rows.columns))
    keys = list(dict.fromkeys(key for key, _ in pieces))
    codes = np.repeat([keys.index(key) for key, _ in pieces], [len(rows) for _, rows in pieces])

    def joined(arrays: list[Any], dtype: str) -> Any:
        return np.concatenate(arrays) if arrays else np.empty(0, dtype)

    columns: dict[str, Any] = {
        "time": pd.to_datetime(joined([rows.time_ns for _, rows in pieces], "int64"), unit="ns", utc=True)
    }
    for k, name in enumerate(("site", "hammer")):
        columns[name] = pd.Categorical(np.array([key[k] for key in keys], dtype=object)[codes.astype(int)])
    for name in names:
        values = joined([rows.columns.get(name, np.full(len(rows), np.nan)) for _, rows in pieces], "float64")
        known = ~np.isnan(values)
        columns[name] = (
            pd.array(np.where(known, values, 0.0).astype(bool), dtype="boolean")
            if CHANNELS[name].boolean
            else values
        )
        if CHANNELS[name].boolean:
            columns[name][~known] = pd.NA
    return pd.DataFrame(columns)


def events_frame(shift: Shift) -> pd.DataFrame:
    """Return the events of a shift; columns as in `strikewatch.RecordedShift`."""
    records = [
        {"time": event.time, "site": event.site, "hammer": event.hammer, "event": event.kind, **event.fields}
        | ({"applied": exact_text(event.applied)} if event.applied >= 0 else {})
        for event in shift.events
    ]
    names = list(dict.fromkeys(chain(["time", "site", "hammer", "event"], *records)))
    events = pd.DataFrame(records, columns=names)
    events["time"] = pd.to_datetime(events["time"].astype("int64"), unit="ns", utc=True)
    return events


def shift_of_frames(samples: pd.DataFrame, events: pd.DataFrame | None, options: ReadOptions) -> TableShift:
    """Open a shift from a frame of samples and one of events. Raises InputError for an unusable column."""
    time = options.columns.get("time", "time")
    if time not in samples.columns and samples.index.name == time:
        samples = samples.reset_index()
    try:
        table = pa.Table.from_pandas(samples, preserve_index=False)
    except (pa.ArrowException, ValueError, TypeError) as error:
        why = " ".join(map(str, error.args))
        raise InputError(f"samples: {why}; give each column values of one kind, and once") from None
    shift = TableShift(table, "samples", UNNAMED_SITE, options=options)
    if events is not None:
        rows = events.to_dict("records")
        lines = [_event_line(row, options.zone is None) for row in rows]
        if options.zone is None:
            shift.assumed["utc"] += sum(_is_naive(row.get("time")) for row in rows)
        sites = {hammer: site for site, hammer in shift.feeds()}
        only = next(iter(sites.values()), UNNAMED_SITE)
        shift.events, shift.bad["event"] = parse_events(
            lines,
            "events",
            lambda hammer: sites.get(hammer, only),
            shift.examples,
            options.zone,
        )
    return shift


def _is_naive(value: Any) -> bool:
    """Whether a value is a timestamp without an offset; NaT is not."""
    return isinstance(value, datetime) and value == value and value.tzinfo is None


def _event_line(row: Mapping[Any, Any], naive_is_utc: bool) -> bytes:
    """One row of an events frame as an event object in JSON, empty fields left out."""
    fields: dict[str, Any] = {}
    for name, value in row.items():
        if isinstance(value, Mapping):
            fields[str(name)] = dict(value)
        elif pd.api.types.is_list_like(value):
            fields[str(name)] = [_number(item) for item in value]
        elif pd.isna(value):
            continue
        elif isinstance(value, datetime):
            offset = "+00:00" if naive_is_utc and _is_naive(value) else ""
            fields[str(name)] = value.isoformat() + offset
        else:
            fields[str(name)] = _number(value)
    return json.dumps(fields, default=str).encode()


def _number(value: Any) -> Any:
    """A numpy number as a Python number, whole where it is: an empty field turns a column of ints into floats."""
    value = value.item() if hasattr(value, "item") else value
    return int(value) if isinstance(value, float) and value.is_integer() else value
