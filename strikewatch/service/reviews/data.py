"""Load the data of a review from the database and its recordings, or from recorded shifts."""

from argparse import Namespace
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from rich.console import Console

from strikewatch.core.events import drop_corrected
from strikewatch.core.instant import SECOND, Instant
from strikewatch.review.data.attribution import from_replay
from strikewatch.review.data.from_store import from_store, read_events, read_feeds
from strikewatch.review.data.samples import ShiftSamples, StoredSamples
from strikewatch.review.data.schemas import OPERATOR_FAULTS
from strikewatch.review.data.tables import NO_LIMITS, Feeds
from strikewatch.review.progress import coached_frame
from strikewatch.review.report import wording
from strikewatch.review.usage import hammer_usage
from strikewatch.review.wear.condition import Condition, condition
from strikewatch.service.recorded.recordings import Recordings
from strikewatch.service.reviews.hammers import DEFAULT_PERIOD, condition_of_store, limits, usage_of_store
from strikewatch.service.reviews.highlights import ReplaySource
from strikewatch.service.time_window import check_order, parse_period, parse_time
from strikewatch.settings.tree import Settings
from strikewatch.storage.engines.shared import SharedDatabase

if TYPE_CHECKING:
    import pandas as pd

WEEKS: Final = 26 * 7 * 86_400 * SECOND
"""How far back rates are charted by week."""


@dataclass(frozen=True, slots=True)
class ReviewData:
    """The data of a review.

    `exposure` and `faults` (EXPOSURE, FAULTS) reach from long before the period to its end; `condition` is at its end.
    """

    exposure: "pd.DataFrame"
    faults: "pd.DataFrame"
    begin: Instant
    end: Instant
    replay_source: ReplaySource
    origin: str
    usage: "pd.DataFrame"
    notes: tuple[str, ...] = ()
    condition: Condition = field(default_factory=Condition)
    feeds: Feeds = NO_LIMITS
    coached: "pd.DataFrame" = field(default_factory=lambda: coached_frame(()))
    """Talks with operators before the end (COACHED)."""

    def period(self) -> "tuple[pd.DataFrame, pd.DataFrame]":
        return self._between(self.begin, self.end)

    def before(self) -> "tuple[pd.DataFrame, pd.DataFrame] | None":
        """Return the data of the preceding period of the same length; None if there was no work in it."""
        exposure, faults = self._between(2 * self.begin - self.end, self.begin)
        return (exposure, faults) if len(exposure) else None

    def _between(self, begin: Instant, end: Instant) -> "tuple[pd.DataFrame, pd.DataFrame]":
        return _cut(self.exposure, "start", begin, end), _cut(self.faults, "onset", begin, end)


def _cut(frame: "pd.DataFrame", column: str, begin: Instant, end: Instant) -> "pd.DataFrame":
    import pandas as pd

    first, last = (pd.Timestamp(at, tz="UTC") for at in (begin, end))
    return frame[(frame[column] >= first) & (frame[column] < last)].reset_index(drop=True)


@contextmanager
def open_review_data(
    options: Namespace, settings: Settings, now: Instant, notes: Console
) -> Iterator[ReviewData]:
    """Load what the options ask for. Raises InputError, Refused, SettingsError or StoreError."""
    begin, end = parse_period(options.begin, options.end, now)
    if options.paths:
        yield _of_shifts(options, settings, begin, end, notes)
        return
    end = now if end is None else end
    begin = parse_time(DEFAULT_PERIOD, end, back=True) if begin is None else begin
    check_order(begin, end)
    with SharedDatabase(settings.store.where) as database:
        length = max(WEEKS, 2 * (end - begin))
        exposure, faults = from_store(database, max(0, end - length), end, options.site)
        recordings = settings.recording.folder
        replay_source = ReplaySource(
            StoredSamples(database, recordings), lambda site: recordings / site, options.config
        )
        yield ReviewData(
            exposure,
            _operator_faults(faults),
            begin,
            end,
            replay_source,
            f"From the database {database.name}.",
            usage_of_store(database, settings, begin, end, now, options.site),
            condition=condition_of_store(database, settings, end, options.site),
            feeds=read_feeds(database, settings.of_hammer, options.site),
            coached=coached_frame(read_events(database, ("coached",), end, options.site)),
        )


def _of_shifts(
    options: Namespace, settings: Settings, begin: Instant | None, end: Instant | None, notes: Console
) -> ReviewData:
    """Load recorded shifts; without a given period, all of them."""
    recordings = Recordings.from_options(options, settings)
    shifts, result = recordings.open_and_replay(notes)
    exposure, faults = from_replay(result.records, result.stretches(), result.steps, result.end)
    first = _ns(exposure["start"].min()) if len(exposure) else 0
    if begin is None:
        begin = first if end is None else min(first, end - 1)
    end = max(result.end, begin) + 1 if end is None else end
    check_order(begin, end)
    places = [str(path) for path in options.paths]
    only_path = options.paths[0] if len(places) == 1 else None
    replay_source = ReplaySource(
        ShiftSamples(shifts, result.steps),
        lambda _: only_path,
        options.config,
        recordings,
        result.settings_at,
    )
    settings_of = result.settings_of(settings.of_hammer)
    events = drop_corrected(event for shift in shifts for event in shift.events)
    return ReviewData(
        exposure,
        _operator_faults(faults),
        begin,
        end,
        replay_source,
        f"From {wording.join_names(places)}.",
        hammer_usage(exposure, faults, begin, end, settings_of, result.silent, result.uncertain),
        (*recordings.notes(shifts), *result.notes(), *result.partly_monitored_notes()),
        condition(exposure, events, limits(settings_of)),
        Feeds.of(result.silent, result.uncertain),
        coached_frame(events),
    )


def _operator_faults(faults: "pd.DataFrame") -> "pd.DataFrame":
    """Select the faults of operators, without those of the feed or the machine."""
    return faults[faults["fault"].isin(OPERATOR_FAULTS)].reset_index(drop=True)


def _ns(at: "pd.Timestamp") -> Instant:
    return int(at.as_unit("ns").value)
