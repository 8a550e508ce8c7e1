"""Where the account of use comes from: the database, or recorded shifts."""

from argparse import Namespace
from typing import TYPE_CHECKING, Final

from rich.console import Console

from strikewatch.errors import Refused
from strikewatch.hosts.bar import bar
from strikewatch.hosts.moments import moment
from strikewatch.hosts.replay import Replayed, replay_shifts
from strikewatch.hosts.replay_command import LONG
from strikewatch.hosts.warm import warm
from strikewatch.intake.shift import open_shifts
from strikewatch.model.instant import Instant, seconds
from strikewatch.review.from_replay import from_replay
from strikewatch.review.from_store import feeds, reaching
from strikewatch.review.use import use
from strikewatch.settings import Settings
from strikewatch.store.beside import Beside, Place

if TYPE_CHECKING:
    import pandas as pd

BEFORE: Final = "7d"

Told = tuple["pd.DataFrame", Instant, Instant]
"""A table of USE, and the period it is of."""


def asked(options: Namespace, settings: Settings, now: Instant, notes: Console) -> Told:
    """What the command names. Raises InputError, Refused, SettingsError or StoreError with place and remedy."""
    begin, end = (None if at is None else moment(at, now, back=True) for at in (options.begin, options.end))
    if not options.paths:
        end = now if end is None else end
        begin = moment(BEFORE, end, back=True) if begin is None else begin
        _rising(begin, end)
        with Beside(settings.store.where) as place:
            return of_store(place, settings, begin, end, now, options.site), begin, end
    shifts = sorted(
        (one for path in options.paths for one in open_shifts(path)), key=lambda one: one.span()[0]
    )
    warm(lambda text: notes.print(text, style="dim"))
    with bar(notes, sum(shift.total for shift in shifts), "rows", LONG) as told:
        result = replay_shifts(shifts, settings.of_hammer, seconds(settings.intake.reorder_s), told)
    begin = shifts[0].span()[0] if begin is None else begin
    end = result.end + 1 if end is None else end
    _rising(begin, end)
    return of_replay(result, settings, begin, end), begin, end


def of_store(
    place: Place, settings: Settings, begin: Instant, end: Instant, now: Instant, site: str | None = None
) -> "pd.DataFrame":
    """Of a period, from a database as it is now."""
    exposure, faults, silent = reaching(place, begin, now, settings.of_hammer, site)
    uncertain = feeds(place, settings.of_hammer, site).uncertain
    reasons = {key: list(own.items()) for key, own in uncertain.items()}
    return use(exposure, faults, begin, end, settings.of_hammer, silent, reasons)


def of_replay(result: Replayed, settings: Settings, begin: Instant, end: Instant) -> "pd.DataFrame":
    """Of a period, from what a replay found."""
    exposure, faults = from_replay(result.records, result.stretches(), result.noted, result.end)
    return use(exposure, faults, begin, end, settings.of_hammer, result.silent, result.uncertain)


def _rising(begin: Instant, end: Instant) -> None:
    if end <= begin:
        raise Refused("--from must be before --to")
