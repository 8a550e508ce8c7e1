"""Load the usage of hammers, and the condition of hammers and tools, from the database or recorded shifts."""

from argparse import Namespace
from collections.abc import Callable
from itertools import chain
from typing import TYPE_CHECKING, Final

from rich.console import Console

from strikewatch.core.batch import Key
from strikewatch.core.events import drop_corrected
from strikewatch.core.instant import Instant
from strikewatch.errors import Refused
from strikewatch.review.data.attribution import from_replay
from strikewatch.review.data.from_store import exposure_from_store, overlapping, read_events, read_feeds
from strikewatch.review.usage import hammer_usage
from strikewatch.review.wear.advice import Settings as Limits
from strikewatch.review.wear.condition import KINDS, Condition, condition
from strikewatch.service.time_window import check_order, parse_period, parse_time
from strikewatch.settings.tree import Settings
from strikewatch.storage.engines.shared import DatabaseAccess, SharedDatabase

if TYPE_CHECKING:
    import pandas as pd

    from strikewatch.engine.pipeline import HammerSettings
    from strikewatch.service.recorded.recordings import Recordings  # imported only to replay shifts
    from strikewatch.service.recorded.replay import ReplayResult

DEFAULT_PERIOD: Final = "7d"

UsageOfPeriod = tuple["pd.DataFrame", Instant, Instant]
"""A table of USE, and the begin and end of its period."""


def usage_from_options(options: Namespace, settings: Settings, now: Instant, notes: Console) -> UsageOfPeriod:
    """Load what the options ask for. Raises InputError, Refused, SettingsError or StoreError."""
    begin, end = parse_period(options.begin, options.end, now)
    if not options.paths:
        end = now if end is None else end
        begin = parse_time(DEFAULT_PERIOD, end, back=True) if begin is None else begin
        check_order(begin, end)
        with SharedDatabase(settings.store.where) as database:
            return usage_of_store(database, settings, begin, end, now, options.site), begin, end
    from strikewatch.service.recorded.recordings import Recordings, print_notes

    recordings = Recordings.from_options(options, settings)
    shifts, result = recordings.open_and_replay(notes)
    print_notes(notes, chain(recordings.notes(shifts), result.notes(), result.partly_monitored_notes()))
    begin = result.begin if begin is None else begin
    end = result.end + 1 if end is None else end
    check_order(begin, end)
    return usage_of_replay(result, settings, begin, end), begin, end


def usage_of_store(
    database: DatabaseAccess,
    settings: Settings,
    begin: Instant,
    end: Instant,
    now: Instant,
    site: str | None = None,
) -> "pd.DataFrame":
    """Return the usage in a period from a database."""
    exposure, faults, silent = overlapping(database, begin, now, settings.of_hammer, site)
    uncertain = read_feeds(database, settings.of_hammer, site).uncertain
    reasons = {key: list(own.items()) for key, own in uncertain.items()}
    return hammer_usage(exposure, faults, begin, end, settings.of_hammer, silent, reasons)


def usage_of_replay(
    result: "ReplayResult", settings: Settings, begin: Instant, end: Instant
) -> "pd.DataFrame":
    """Return the usage in a period from the result of a replay."""
    exposure, faults = from_replay(result.records, result.stretches(), result.steps, result.end)
    return hammer_usage(
        exposure, faults, begin, end, result.settings_of(settings.of_hammer), result.silent, result.uncertain
    )


def condition_from_options(options: Namespace, settings: Settings, now: Instant, notes: Console) -> Condition:
    """Load what the options ask for. Raises InputError, Refused or StoreError."""
    if options.paths:
        from strikewatch.service.recorded.recordings import Recordings

        found = condition_of_shifts(Recordings.from_options(options, settings), notes)
    else:
        with SharedDatabase(settings.store.where) as database:
            found = condition_of_store(database, settings, now, options.site)
    part = found.of(options.site, options.hammer)
    if options.hammer and found and not part.worn and not part.tools and not part.fitted:
        raise Refused(f"{options.hammer} has no entries; hammers with entries: {', '.join(found.hammers())}")
    return part


def condition_of_store(
    database: DatabaseAccess, settings: Settings, end: Instant, site: str | None = None
) -> Condition:
    """Return the condition from a database, up to an instant."""
    events = read_events(database, KINDS, end, site)
    if not events:
        return Condition()
    return condition(exposure_from_store(database, 0, end, site), events, limits(settings.of_hammer))


def condition_of_shifts(recordings: "Recordings", notes: Console) -> Condition:
    """Return the condition from recorded shifts, which are replayed for their operating hours."""
    from strikewatch.service.recorded.recordings import print_notes

    every = drop_corrected(event for shift in recordings.open() for event in shift.events)
    if not any(event.kind in KINDS for event in every):
        return Condition()
    shifts, result = recordings.open_and_replay(notes)
    print_notes(notes, chain(recordings.notes(shifts), result.notes()))
    every = drop_corrected(event for shift in shifts for event in shift.events)
    events = [event for event in every if event.kind in KINDS]
    exposure, _ = from_replay((), result.stretches(), result.steps, result.end)
    return condition(exposure, events, limits(result.settings_of(recordings.settings.of_hammer)))


def limits(settings_of: "Callable[[Key], HammerSettings]") -> Callable[[Key], Limits]:
    """Return a function for a hammer's wear limits, from its operator's manual."""

    def of(key: Key) -> Limits:
        own = settings_of(key)["wear"]
        assert isinstance(own, Limits)
        return own

    return of
