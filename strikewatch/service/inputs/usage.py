"""Load the usage of hammers from the database or from recorded shifts."""

from argparse import Namespace
from itertools import chain
from typing import TYPE_CHECKING, Final

from rich.console import Console

from strikewatch.core.instant import Instant
from strikewatch.errors import Refused
from strikewatch.review.data.from_replay import from_replay
from strikewatch.review.data.from_store import overlapping, read_feeds
from strikewatch.review.usage import hammer_usage
from strikewatch.service.recordings import Recordings, print_notes
from strikewatch.service.replay import ReplayResult
from strikewatch.service.time_parsing import parse_time
from strikewatch.settings.tree import Settings
from strikewatch.storage.engines.shared import DatabaseAccess, SharedDatabase

if TYPE_CHECKING:
    import pandas as pd

BEFORE: Final = "7d"

UsageOfPeriod = tuple["pd.DataFrame", Instant, Instant]
"""A table of USE, and the begin and end of its period."""


def usage_from_options(options: Namespace, settings: Settings, now: Instant, notes: Console) -> UsageOfPeriod:
    """Load what the options ask for. Raises InputError, Refused, SettingsError or StoreError."""
    begin, end = (
        None if at is None else parse_time(at, now, back=True) for at in (options.begin, options.end)
    )
    if not options.paths:
        end = now if end is None else end
        begin = parse_time(BEFORE, end, back=True) if begin is None else begin
        _check_order(begin, end)
        with SharedDatabase(settings.store.where) as place:
            return of_store(place, settings, begin, end, now, options.site), begin, end
    recordings = Recordings.asked(options, settings)
    shifts, result = recordings.open_and_replay(notes)
    print_notes(notes, chain(recordings.notes(shifts), result.notes(), result.partly_notes()))
    begin = result.begin if begin is None else begin
    end = result.end + 1 if end is None else end
    _check_order(begin, end)
    return of_replay(result, settings, begin, end), begin, end


def of_store(
    place: DatabaseAccess,
    settings: Settings,
    begin: Instant,
    end: Instant,
    now: Instant,
    site: str | None = None,
) -> "pd.DataFrame":
    """Return the usage in a period from a database."""
    exposure, faults, silent = overlapping(place, begin, now, settings.of_hammer, site)
    uncertain = read_feeds(place, settings.of_hammer, site).uncertain
    reasons = {key: list(own.items()) for key, own in uncertain.items()}
    return hammer_usage(exposure, faults, begin, end, settings.of_hammer, silent, reasons)


def of_replay(result: ReplayResult, settings: Settings, begin: Instant, end: Instant) -> "pd.DataFrame":
    """Return the usage in a period from the result of a replay."""
    exposure, faults = from_replay(result.records, result.stretches(), result.noted, result.end)
    return hammer_usage(
        exposure, faults, begin, end, result.settings_of(settings.of_hammer), result.silent, result.uncertain
    )


def _check_order(begin: Instant, end: Instant) -> None:
    if end <= begin:
        raise Refused("--from must be before --to")
