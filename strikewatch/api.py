"""Replay in Python: frames in, a frame of alerts out."""

import json
import warnings
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypedDict, Unpack

if TYPE_CHECKING:
    import pandas as pd

    from strikewatch.service.replay import Replayed
    from strikewatch.settings.tree import Settings
    from strikewatch.sources.recordings.read_options import ReadOptions
    from strikewatch.sources.recordings.table import TableShift

_UNNAMED = "unnamed"
"""The site where no column tells it."""


class How(TypedDict, total=False):
    """How frames in another form are read, by keyword.

    `columns`: known name → column of the frame. `hammer`, `site`: names where no column holds them. `zone`: of times
    without an offset (default: UTC, with a warning), an IANA name. `allow_loss`: percent of rows that may be left out
    (default: 1).
    """

    columns: Mapping[str, str]
    hammer: str
    site: str
    zone: str
    allow_loss: float


def replay(
    samples: "pd.DataFrame",
    events: "pd.DataFrame | None" = None,
    settings: "Settings | Mapping[str, Any] | Path | str | None" = None,
    **how: Unpack[How],
) -> "pd.DataFrame":
    """Run a recorded shift through the detectors.

    `samples`: one row per hammer and instant; columns `time` (timestamps, UTC), `hammer`, optionally `site`, and
    channels. `events`: columns `time`, `hammer`, `event` and what the events carry (`operator`, `strokes`, ...), empty
    where it does not apply. `settings`: a settings file, a mapping like its tables, or loaded settings. Rows may be in
    any order. `how`: see `How`.

    Returns one row per alert in onset order, the columns of the alert record (instants as RFC 3339 text;
    `pd.to_datetime` makes timestamps of them). Rows and events that cannot be used are left out with a UserWarning.
    Raises InputError naming the column or row, or where more rows are lost than is allowed; SettingsError with every
    mistake.
    """
    import pandas as pd

    from strikewatch.core.alert import Alert

    result = _replayed(samples, events, settings, how)
    columns = list(Alert("", "", "", None, "low", 0).record())
    return pd.DataFrame(result.records, columns=columns, dtype=object)


def bouts(
    samples: "pd.DataFrame",
    events: "pd.DataFrame | None" = None,
    settings: "Settings | Mapping[str, Any] | Path | str | None" = None,
    **how: Unpack[How],
) -> "pd.DataFrame":
    """Every bout of firing in a recorded shift, one row each; the arguments are those of `replay`.

    Columns: site, hammer, operator, tool, start, end (RFC 3339), firing_s, judged_s, not_judged (why a bout could not
    be judged for blank blows, else None), blank_s, blows, blank_blows (counted in fast feeds only), level_bar,
    loaded_level_bar, blows_per_min, pulse_spread_bar. Unknown numbers are NaN.
    """
    import pandas as pd

    from strikewatch.core.bout import FIELDS

    records = [one.record() for one in _replayed(samples, events, settings, how).bouts()]
    return pd.DataFrame(records, columns=list(FIELDS))


def review_frames(
    samples: "pd.DataFrame",
    events: "pd.DataFrame | None" = None,
    settings: "Settings | Mapping[str, Any] | Path | str | None" = None,
    **how: Unpack[How],
) -> "tuple[pd.DataFrame, pd.DataFrame]":
    """What a review is made of: who worked when, and what went wrong; the arguments are those of `replay`.

    Returns the frames EXPOSURE and FAULTS (`strikewatch.review.data.frames` says what a row of each is), of which
    `strikewatch.review.rates` makes rates, comparisons and weeks. `review.data.from_store` gives the same
    of a database.
    """
    from strikewatch.review.data.from_replay import from_replay

    result = _replayed(samples, events, settings, how)
    return from_replay(result.records, result.stretches(), result.noted, result.end)


def use(
    samples: "pd.DataFrame",
    events: "pd.DataFrame | None" = None,
    settings: "Settings | Mapping[str, Any] | Path | str | None" = None,
    **how: Unpack[How],
) -> "pd.DataFrame":
    """What each hammer went through in a recorded shift; the arguments are those of `replay`.

    Returns a table of USE (`strikewatch.review.usage` says what is in it): hours, blows, hot, blank and
    misused seconds, what was missed, each also per firing hour, and why where it could not be known.
    """
    from strikewatch.service.inputs.usage import of_replay

    loaded = _loaded(settings)
    result = _replayed(samples, events, loaded, how)
    return of_replay(result, loaded, 0, result.end + 1)


def _loaded(settings: "Settings | Mapping[str, Any] | Path | str | None") -> "Settings":
    from strikewatch.settings.tree import Settings, load

    if settings is None or isinstance(settings, Mapping):
        return load(given=settings)
    return settings if isinstance(settings, Settings) else load(Path(settings))


def _replayed(
    samples: "pd.DataFrame",
    events: "pd.DataFrame | None",
    settings: "Settings | Mapping[str, Any] | Path | str | None",
    how: How,
) -> "Replayed":
    from strikewatch.core.instant import seconds
    from strikewatch.service.loss import ALLOWED, check
    from strikewatch.service.replay import replay_shifts
    from strikewatch.sources.recordings.events import parse_events
    from strikewatch.sources.recordings.read_options import checked

    loaded = _loaded(settings)
    options = checked(how.get("columns") or {}, how.get("hammer"), how.get("site"), how.get("zone"))
    shift = _shift(samples, options)
    if events is not None:
        rows = events.to_dict("records")
        lines = [_event_line(row, options.zone is None) for row in rows]
        if options.zone is None:
            shift.assumed["utc"] += sum(_is_local(row.get("time")) for row in rows)
        sites = {hammer: site for site, hammer in shift.feeds()}
        only = next(iter(sites.values()), _UNNAMED)
        shift.events, shift.bad["event"] = parse_events(
            lines,
            "events",
            lambda hammer: sites.get(hammer, only),
            shift.examples,
            options.zone,
        )
    result = replay_shifts([shift], loaded.of_hammer, seconds(loaded.intake.reorder_s))
    check(result.lost, how.get("allow_loss", ALLOWED))
    for note in result.notes():
        warnings.warn(note, stacklevel=3)
    return result


def _shift(samples: "pd.DataFrame", options: "ReadOptions") -> "TableShift":
    import pyarrow as pa  # type: ignore[import-untyped]  # ships no types

    from strikewatch.errors import InputError
    from strikewatch.sources.recordings.table import TableShift

    time = options.columns.get("time", "time")
    if time not in samples.columns and samples.index.name == time:
        samples = samples.reset_index()
    try:
        table = pa.Table.from_pandas(samples, preserve_index=False)
    except (pa.ArrowException, ValueError, TypeError) as error:
        why = " ".join(map(str, error.args))
        raise InputError(f"samples: {why}; give each column values of one kind, and once") from None
    return TableShift(table, "samples", _UNNAMED, options=options)


def _is_local(value: Any) -> bool:
    return isinstance(value, datetime) and value == value and value.tzinfo is None


def _event_line(row: Mapping[Any, Any], in_utc: bool) -> bytes:
    """One row of an events frame as the contract's object; empty fields left out.

    `in_utc`: timestamps without an offset are.
    """
    import pandas as pd

    told: dict[str, Any] = {}
    for name, value in row.items():
        if pd.api.types.is_list_like(value):
            told[str(name)] = [_number(one) for one in value]
        elif pd.isna(value):
            continue
        elif isinstance(value, datetime):
            told[str(name)] = value.isoformat() + ("+00:00" if in_utc and _is_local(value) else "")
        else:
            told[str(name)] = _number(value)
    return json.dumps(told, default=str).encode()


def _number(value: Any) -> Any:
    """A number of numpy as one of Python, and whole where it is: an empty field turns a column of ints to floats."""
    value = value.item() if hasattr(value, "item") else value
    return int(value) if isinstance(value, float) and value.is_integer() else value
