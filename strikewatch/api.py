"""The interface in Python: recorded shifts in, frames of alerts, bouts and usage out.

The examples run from the folder of the source, where `replay_data` holds recorded shifts of an invented site.
"""

import warnings
from collections.abc import Iterator, Mapping, Sequence
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple, TypedDict, Unpack

if TYPE_CHECKING:
    import pandas as pd

    from strikewatch.service.recorded.replay import ReplayResult
    from strikewatch.settings.tree import Settings
    from strikewatch.sources.recordings import Shift
    from strikewatch.sources.recordings.read_options import ReadOptions

    Samples = pd.DataFrame | Path | str
    """A frame of samples, or the path of one recorded shift or of a folder of them."""

    GivenSettings = Settings | Mapping[str, Any] | Path | str | None
    """Loaded settings, a mapping like the tables of a settings file, the path of such a file, or None."""

_TIMES_DTYPE: Final = "datetime64[us, UTC]"  # alert records carry microseconds


class TableOptions(TypedDict, total=False):
    """How to read a table whose columns differ from the documented ones. All are keyword arguments.

    Keys:
        columns: known name → the table's own name, such as `{"oil_c": "Oil"}`.
        hammer: the hammer of a table without a column `hammer`.
        site: the site of a table without a column `site`.
        zone: IANA time zone of times without an offset. Default: UTC, with a warning.
        allow_loss: the largest share of unusable rows, in percent. Default: 1.
    """

    columns: Mapping[str, str]
    hammer: str
    site: str
    zone: str
    allow_loss: float


class RecordedShift(NamedTuple):
    """A recorded shift in memory. Its fields are the first three arguments of `replay`."""

    samples: "pd.DataFrame"
    """One row per hammer and instant. Columns: `time` (UTC), `site` and `hammer` (categories), then each channel in
    the unit of its name: float64, NaN where not sampled; yes-or-no channels are of type `boolean`."""
    events: "pd.DataFrame"
    """One row per event. Columns: `time` (UTC), `site`, `hammer`, `event`, then what the events carry."""
    settings: Path | None
    """The shift's own `settings.toml`, if it has one."""


def load_shift(path: Path | str, **options: Unpack[TableOptions]) -> RecordedShift:
    """Read one recorded shift into frames, to look at or to change before a replay.

    `replay(*load_shift(path))` finds the same alerts as `replay(path)`. The exception is a recording by the live
    processor itself: only `replay(path)` repeats exactly what was found live.

    Args:
        path: a folder with `samples.parquet` or `samples.csv`, or one such file.
        options: see `TableOptions`.

    Returns:
        Frames of samples and events, and the path of the shift's settings; see `RecordedShift`.

    Raises:
        InputError: the path holds no recorded shift or several, a column cannot be used, or more rows are unusable
            than `allow_loss` permits. Fewer unusable rows are left out with a UserWarning.

    >>> import strikewatch
    >>> shift = strikewatch.load_shift("replay_data/trench-feed")
    >>> str(shift.samples["oil_c"].dtype), sorted(shift.samples["hammer"].unique())
    ('float64', ['HB-05', 'HB-06'])
    >>> cold = shift.samples[shift.samples["oil_c"] < 20.0]
    >>> alerts = strikewatch.replay(cold, shift.events)
    """
    from strikewatch.errors import InputError
    from strikewatch.service.recorded.recordings import settings_in_folder
    from strikewatch.service.recorded.replay import DEFAULT_ALLOWED_PERCENT, ReplayResult, check_loss, losses
    from strikewatch.sources.recordings import open_shifts
    from strikewatch.sources.recordings.frames import events_frame, samples_frame
    from strikewatch.sources.recordings.merge import Merge

    shifts = open_shifts(Path(path), _read_options(options))
    if len(shifts) > 1:
        places = ", ".join(shift.place for shift in shifts)
        raise InputError(f"{path}: holds {len(shifts)} recorded shifts; load one of them: {places}")
    (shift,) = shifts
    samples, events = samples_frame(shift), events_frame(shift)
    check_loss(losses(Merge(shifts)), options.get("allow_loss", DEFAULT_ALLOWED_PERCENT))
    read = ReplayResult(bad=+shift.bad, cells=shift.cells, assumed=shift.assumed, examples=shift.examples)
    read.ignored = shift.ignored
    read.zone = shift.options.zone.key if shift.options.zone else ""
    _warn(read.notes(), stacklevel=3)
    return RecordedShift(samples, events, settings_in_folder(shift))


def replay(
    samples: "Samples",
    events: "pd.DataFrame | None" = None,
    settings: "GivenSettings" = None,
    **options: Unpack[TableOptions],
) -> "pd.DataFrame":
    """Run recorded shifts through the detectors and return their alerts.

    Args:
        samples: a frame with one row per hammer and instant, in any order, or a path. Columns of a frame: `time`
            (timestamps, UTC), `hammer`, optionally `site`, and channels such as `active`, `pressure_bar` and `oil_c`,
            each in the unit of its name. A path names one shift (a folder or a file) or a folder of shifts.
        events: a frame with the columns `time`, `hammer`, `event` and what the events carry (`operator`, `strokes`,
            ...), empty where it does not apply. Give it only with a frame of samples: a folder has its own events.
        settings: a settings file, a mapping like its tables, or loaded settings; they apply to every shift. Without
            it, a shift's own `settings.toml` applies, and otherwise the built-in settings and the environment.
        options: see `TableOptions`.

    Returns:
        One row per alert in its final state, by onset, then hammer, then fault. The columns are those of the alert
        record: `id` and `summary` (text); `fault`, `site`, `hammer`, `operator` (categories of the values that occur;
        NaN: nobody was signed on); `priority` (ordered category: low < medium < high); `onset` and `cleared`
        (timestamps in UTC to the microsecond; NaT: still active at the end); `historic` (bool); `evidence` (a dict of
        numbers with units in their names). `attrs["not_monitored"]` lists what the feed or the settings do not let be
        found, as dicts of site, hammer, fault and reason: no alert of these does not mean that there was none.

    Raises:
        InputError: a column or a path cannot be used, or more rows are unusable than `allow_loss` permits. Fewer
            unusable rows and events are left out with a UserWarning.
        SettingsError: with every mistake in the settings.

    What each fault means, with its defaults and their source: `strikewatch guide faults`. Firing in one spot for 15 s,
    as here, is common practice, no published source.

    >>> import pandas as pd, strikewatch
    >>> time = pd.date_range("2026-03-04T07:00:00Z", periods=200, freq="100ms")
    >>> samples = pd.DataFrame({"time": time, "hammer": "HB-01", "active": True, "oil_c": 61.2})
    >>> alerts = strikewatch.replay(samples)
    >>> same_spot = alerts[alerts["fault"] == "same_spot"].iloc[0]
    >>> same_spot["onset"]
    Timestamp('2026-03-04 07:00:15+0000', tz='UTC')
    >>> same_spot["evidence"]["firing_s"]
    19.9
    >>> shorter = {"faults": {"same_spot": {"limit_s": 12.0}}}
    >>> alerts = strikewatch.replay(samples, settings=shorter)
    >>> alerts.loc[alerts["fault"] == "same_spot", "onset"].iloc[0].second
    12
    >>> alerts = strikewatch.replay("replay_data/quiet-bench")
    >>> bool((alerts["priority"] > "medium").any())
    False
    """
    import pandas as pd

    from strikewatch.core.alert import PRIORITIES, Alert

    result = _replay(samples, events, settings, options)
    names = list(Alert("", "", "", None, "low", 0).record())
    alerts = pd.DataFrame(result.records, columns=names, dtype=object)
    _set_types(alerts, times=("onset", "cleared"), categories=("fault", "site", "hammer", "operator"))
    alerts["priority"] = pd.Categorical(alerts["priority"], PRIORITIES, ordered=True)
    alerts["historic"] = alerts["historic"].astype(bool)
    for name in ("id", "summary"):
        alerts[name] = alerts[name].astype(str)
    alerts.attrs["not_monitored"] = [
        {"site": site, "hammer": hammer, "fault": fault, "reason": reason}
        for (site, hammer), reasons in result.silent.items()
        for fault, reason in reasons
    ]
    return alerts


def bouts(
    samples: "Samples",
    events: "pd.DataFrame | None" = None,
    settings: "GivenSettings" = None,
    **options: Unpack[TableOptions],
) -> "pd.DataFrame":
    """Return every bout of firing in recorded shifts. Arguments and errors are those of `replay`.

    Returns:
        One row per bout, by start. Columns: `site`, `hammer`, `operator`, `tool` (categories; NaN: not known); `start`,
        `end` (timestamps in UTC to the microsecond); `firing_s`, `judged_s` (how much of it could be judged for blank
        firing); `not_judged` (category: why a bout could not be judged, else NaN); `blank_s`; `blows`, `blank_blows`
        (counted in fast feeds only); `level_bar`, `loaded_level_bar` (measured and expected mean pressure);
        `blows_per_min`; `pulse_spread_bar`. Numbers that are not known are NaN.

    >>> import pandas as pd, strikewatch
    >>> time = pd.date_range("2026-03-04T07:00:00Z", periods=50, freq="100ms")
    >>> bouts = strikewatch.bouts(pd.DataFrame({"time": time, "hammer": "HB-01", "active": True}))
    >>> bouts[["firing_s", "not_judged"]].to_dict("records")
    [{'firing_s': 4.9, 'not_judged': 'no pressure'}]
    """
    import pandas as pd

    from strikewatch.core.bout import FIELDS

    records = [worked.record() for worked in _replay(samples, events, settings, options).bouts()]
    frame = pd.DataFrame(records, columns=list(FIELDS))
    _set_types(frame, times=("start", "end"), categories=("site", "hammer", "operator", "tool", "not_judged"))
    return frame


def review_frames(
    samples: "Samples",
    events: "pd.DataFrame | None" = None,
    settings: "GivenSettings" = None,
    **options: Unpack[TableOptions],
) -> "tuple[pd.DataFrame, pd.DataFrame]":
    """Return what a review is computed from: who worked when, and the faults. Arguments and errors as for `replay`.

    Returns:
        The frames EXPOSURE and FAULTS; `strikewatch.review.data.schemas` documents their columns.
        `strikewatch.review.rates` computes rates, comparisons and weeks of them, and
        `strikewatch.review.data.from_store` reads the same frames from a database.

    >>> import strikewatch
    >>> from strikewatch.review import rates
    >>> exposure, faults = strikewatch.review_frames("replay_data/quiet-bench")
    >>> table = rates.operators(exposure, faults)
    >>> bool((table["lower"].dropna() <= table["rate"][table["lower"].notna()]).all())
    True
    """
    from strikewatch.review.data.attribution import from_replay

    result = _replay(samples, events, settings, options)
    return from_replay(result.records, result.stretches(), result.steps, result.end)


def usage(
    samples: "Samples",
    events: "pd.DataFrame | None" = None,
    settings: "GivenSettings" = None,
    **options: Unpack[TableOptions],
) -> "pd.DataFrame":
    """Return how much each hammer was used and misused. Arguments and errors are those of `replay`.

    Returns:
        A table of USE, one row per hammer and measure: hours, blows, seconds hot, blank and misused, what was missed,
        each also per firing hour, and the reason where it is not known. `strikewatch.review.usage` documents it.

    >>> import strikewatch
    >>> usage = strikewatch.usage("replay_data/quiet-bench")
    >>> bool((usage["amount"].dropna() >= 0).all())
    True
    """
    from strikewatch.service.reviews.hammers import usage_of_replay

    loaded = _loaded(settings)
    result = _replay(samples, events, settings, options)
    return usage_of_replay(result, loaded, 0, result.end + 1)


def use(
    samples: "Samples",
    events: "pd.DataFrame | None" = None,
    settings: "GivenSettings" = None,
    **options: Unpack[TableOptions],
) -> "pd.DataFrame":
    """Call `usage`, which this function was renamed to."""
    warnings.warn("strikewatch.use is now strikewatch.usage", DeprecationWarning, stacklevel=2)
    return usage(samples, events, settings, **options)


def _loaded(settings: "GivenSettings") -> "Settings":
    from strikewatch.settings.tree import Settings, load

    if settings is None or isinstance(settings, Mapping):
        return load(given=settings)
    return settings if isinstance(settings, Settings) else load(Path(settings))


def _replay(
    samples: "Samples", events: "pd.DataFrame | None", settings: "GivenSettings", options: TableOptions
) -> "ReplayResult":
    from strikewatch.core.instant import seconds
    from strikewatch.errors import InputError
    from strikewatch.service.recorded.recordings import settings_in_folder
    from strikewatch.service.recorded.replay import DEFAULT_ALLOWED_PERCENT, check_loss, replay_shifts
    from strikewatch.settings.tree import load
    from strikewatch.sources.recordings import open_shifts
    from strikewatch.sources.recordings.frames import shift_of_frames

    loaded = _loaded(settings)
    read_options = _read_options(options)
    shifts: Sequence[Shift]
    own = {}
    if isinstance(samples, str | Path):
        if events is not None:
            raise InputError(
                f"events: {samples} is a path, whose events are in its `events.jsonl`; give events with a frame of "
                "samples, for example that of load_shift"
            )
        shifts = open_shifts(Path(samples), read_options)
        if settings is None:
            found = {k: file for k, shift in enumerate(shifts) if (file := settings_in_folder(shift))}
            own = {k: load(file).of_hammer for k, file in found.items()}
    else:
        shifts = [shift_of_frames(samples, events, read_options)]
    result = replay_shifts(shifts, loaded.of_hammer, seconds(loaded.intake.reorder_s), own=own)
    check_loss(result.lost, options.get("allow_loss", DEFAULT_ALLOWED_PERCENT))
    _warn(chain(result.notes(), result.partly_monitored_notes()), stacklevel=4)
    return result


def _read_options(options: TableOptions) -> "ReadOptions":
    from strikewatch.sources.recordings.read_options import checked

    return checked(
        options.get("columns") or {}, options.get("hammer"), options.get("site"), options.get("zone")
    )


def _warn(notes: Iterator[str], stacklevel: int) -> None:
    """Warn at the line that called the public function, `stacklevel` frames up from here."""
    for note in notes:
        warnings.warn(note, stacklevel=stacklevel)


def _set_types(frame: "pd.DataFrame", times: Sequence[str], categories: Sequence[str]) -> None:
    """Make timestamps and categories of columns, with the same types in an empty frame."""
    import pandas as pd

    for name in times:
        frame[name] = pd.to_datetime(frame[name], utc=True, format="ISO8601").astype(_TIMES_DTYPE)
    for name in categories:
        values = frame[name].astype(object)
        frame[name] = pd.Categorical(values, sorted(values.dropna().unique()))
