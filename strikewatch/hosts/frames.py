"""Replay in Python: frames in, a frame of alerts out."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from strikewatch.settings import Settings


def replay(
    samples: "pd.DataFrame",
    events: "pd.DataFrame | None" = None,
    settings: "Settings | Mapping[str, Any] | Path | str | None" = None,
) -> "pd.DataFrame":
    """Run a recorded shift through the detectors.

    `samples`: one row per hammer and instant; columns `time` (timestamps, UTC), `hammer`, optionally `site`, and
    channels. `events`: columns `time`, `hammer`, `event` and what the events carry (`operator`, `strokes`, ...), empty
    where it does not apply. `settings`: a settings file, a mapping like its tables, or loaded settings.

    Returns one row per alert in onset order, the columns of the alert record (instants as RFC 3339 text;
    `pd.to_datetime` makes timestamps of them). Raises InputError
    naming the column or row, SettingsError with every mistake.
    """
    import pandas as pd
    import pyarrow as pa  # type: ignore[import-untyped]  # ships no types

    from strikewatch.hosts.replay import replay_shifts
    from strikewatch.intake.shift.events import parse_events
    from strikewatch.intake.shift.table import TableShift
    from strikewatch.model.alert import Alert
    from strikewatch.model.instant import seconds
    from strikewatch.settings import Settings, load

    if settings is None or isinstance(settings, Mapping):
        settings = load(given=settings)
    elif not isinstance(settings, Settings):
        settings = load(Path(settings))
    if "time" not in samples.columns and samples.index.name == "time":
        samples = samples.reset_index()
    shift = TableShift(pa.Table.from_pandas(samples, preserve_index=False), "samples", "unnamed")
    if events is not None:
        lines = [_event_line(row) for row in events.to_dict("records")]
        sites = {hammer: site for site, hammer in shift.feeds()}
        shift.events, shift.bad["event"] = parse_events(
            lines, "events", lambda hammer: sites.get(hammer, "unnamed"), shift.examples
        )
    result = replay_shifts([shift], settings.of_hammer, seconds(settings.intake.reorder_s))
    columns = list(Alert("", "", "", None, "low", 0).record())
    return pd.DataFrame(result.records, columns=columns, dtype=object)


def _event_line(row: Mapping[Any, Any]) -> bytes:
    """One row of an events frame as the contract's object; empty fields left out."""
    import pandas as pd

    told: dict[str, Any] = {}
    for name, value in row.items():
        if isinstance(value, (list, tuple)) or hasattr(value, "tolist"):
            told[str(name)] = [int(one) for one in value] if hasattr(value, "__len__") else value.tolist()
        elif isinstance(value, pd.Timestamp):
            told[str(name)] = (value if value.tz else value.tz_localize("UTC")).isoformat()
        elif not pd.isna(value):
            told[str(name)] = value
    return json.dumps(told, default=str).encode()
