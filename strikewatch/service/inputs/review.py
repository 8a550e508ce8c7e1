"""Where a review comes from: the database and its recordings, or recorded shifts; and which time it is of."""

from argparse import Namespace
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from rich.console import Console

from strikewatch.core.events import drop_corrected
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Refused
from strikewatch.review.data.feeds import NO_LIMITS, Feeds
from strikewatch.review.data.from_replay import from_replay
from strikewatch.review.data.from_store import from_store, read_feeds
from strikewatch.review.data.samples import ShiftSamples, StoredSamples
from strikewatch.review.data.schemas import ALWAYS, MISUSE
from strikewatch.review.report import wording
from strikewatch.review.usage import hammer_usage
from strikewatch.review.wear.condition import Condition, condition
from strikewatch.service.inputs import usage
from strikewatch.service.inputs.review_moments import Where
from strikewatch.service.inputs.wear import limits, of_store
from strikewatch.service.recordings import Recordings
from strikewatch.service.time_parsing import moment
from strikewatch.settings.tree import Settings
from strikewatch.storage.engines.shared import Beside

if TYPE_CHECKING:
    import pandas as pd

BEFORE: Final = "7d"
WEEKS: Final = 26 * 7 * 86_400 * SECOND
"""So far back rates are charted by week."""


@dataclass(frozen=True, slots=True)
class Source:
    """EXPOSURE and FAULTS from long before the period on, up to its end; the period; where its samples are; the
    account of USE; in what condition hammers and tools are at its end; and what feeds limit."""

    exposure: "pd.DataFrame"
    faults: "pd.DataFrame"
    begin: Instant
    end: Instant
    where: Where
    words: str
    use: "pd.DataFrame"
    notes: tuple[str, ...] = ()
    condition: Condition = field(default_factory=Condition)
    feeds: Feeds = NO_LIMITS

    def period(self) -> "tuple[pd.DataFrame, pd.DataFrame]":
        return self._between(self.begin, self.end)

    def before(self) -> "tuple[pd.DataFrame, pd.DataFrame] | None":
        """The period of the same length before; None where nothing was worked in it."""
        exposure, faults = self._between(2 * self.begin - self.end, self.begin)
        return (exposure, faults) if len(exposure) else None

    def _between(self, begin: Instant, end: Instant) -> "tuple[pd.DataFrame, pd.DataFrame]":
        return _cut(self.exposure, "start", begin, end), _cut(self.faults, "onset", begin, end)


def _cut(frame: "pd.DataFrame", column: str, begin: Instant, end: Instant) -> "pd.DataFrame":
    import pandas as pd

    first, last = (pd.Timestamp(at, tz="UTC") for at in (begin, end))
    return frame[(frame[column] >= first) & (frame[column] < last)].reset_index(drop=True)


@contextmanager
def opened(options: Namespace, settings: Settings, now: Instant, notes: Console) -> Iterator[Source]:
    """What the command names. Raises InputError, Refused, SettingsError or StoreError with place and remedy."""
    begin, end = (None if at is None else moment(at, now, back=True) for at in (options.begin, options.end))
    if options.paths:
        yield _of_shifts(options, settings, begin, end, notes)
        return
    end = now if end is None else end
    begin = moment(BEFORE, end, back=True) if begin is None else begin
    _rising(begin, end)
    with Beside(settings.store.where) as place:
        length = max(WEEKS, 2 * (end - begin))
        exposure, faults = from_store(place, max(0, end - length), end, options.site)
        recordings = settings.recording.folder
        where = Where(StoredSamples(place, recordings), lambda site: recordings / site, options.config)
        yield Source(
            exposure,
            _of_people(faults),
            begin,
            end,
            where,
            f"From the database {place.name}.",
            usage.of_store(place, settings, begin, end, now, options.site),
            condition=of_store(place, settings, end, options.site),
            feeds=read_feeds(place, settings.of_hammer, options.site),
        )


def _of_shifts(
    options: Namespace, settings: Settings, begin: Instant | None, end: Instant | None, notes: Console
) -> Source:
    """Open the shifts at the paths; without a given period, it is that of all of them."""
    recordings = Recordings.asked(options, settings)
    shifts, result = recordings.replayed(notes)
    exposure, faults = from_replay(result.records, result.stretches(), result.noted, result.end)
    first = _ns(exposure["start"].min()) if len(exposure) else 0
    if begin is None:
        begin = first if end is None else min(first, end - 1)
    end = max(result.end, begin) + 1 if end is None else end
    _rising(begin, end)
    places = [str(path) for path in options.paths]
    whole = options.paths[0] if len(places) == 1 else None
    where = Where(
        ShiftSamples(shifts, result.noted), lambda _: whole, options.config, recordings, result.settings_at
    )
    settings_of = result.settings_of(settings.of_hammer)
    return Source(
        exposure,
        _of_people(faults),
        begin,
        end,
        where,
        f"From {wording.join_names(places)}.",
        hammer_usage(exposure, faults, begin, end, settings_of, result.silent, result.uncertain),
        (*recordings.notes(shifts), *result.notes(), *result.partly_notes()),
        condition(
            exposure, drop_corrected(event for shift in shifts for event in shift.events), limits(settings_of)
        ),
        Feeds.of(result.silent, result.uncertain),
    )


def _of_people(faults: "pd.DataFrame") -> "pd.DataFrame":
    """Those that count as somebody's, and not as the feed's or the machine's."""
    return faults[faults["fault"].isin((*ALWAYS, *MISUSE))].reset_index(drop=True)


def _ns(at: "pd.Timestamp") -> Instant:
    return int(at.as_unit("ns").value)


def _rising(begin: Instant, end: Instant) -> None:
    if end <= begin:
        raise Refused("--from must be before --to")
