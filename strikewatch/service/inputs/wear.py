"""Where the condition of hammers and tools comes from: the database, or recorded shifts; all that is on record."""

from argparse import Namespace
from collections.abc import Callable
from itertools import chain

from rich.console import Console

from strikewatch.core.batch import Key
from strikewatch.core.events import drop_corrected
from strikewatch.core.instant import Instant
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.errors import Refused
from strikewatch.review.data.from_replay import from_replay
from strikewatch.review.data.from_store import exposure_from_store, read_events
from strikewatch.review.wear.condition import KINDS, Condition, condition
from strikewatch.review.wear.limits import Settings as Limits
from strikewatch.service.recordings import Recordings, print_notes
from strikewatch.settings.tree import Settings
from strikewatch.storage.engines.shared import Beside, Place


def asked(options: Namespace, settings: Settings, now: Instant, notes: Console) -> Condition:
    """What the command names. Raises InputError, Refused or StoreError with place and remedy."""
    if options.paths:
        found = of_recordings(Recordings.asked(options, settings), notes)
    else:
        with Beside(settings.store.where) as place:
            found = of_store(place, settings, now, options.site)
    part = found.of(options.site, options.hammer)
    if options.hammer and found and not part.worn and not part.tools and not part.fitted:
        raise Refused(
            f"nothing was told of {options.hammer}; there is something of: {', '.join(found.hammers())}"
        )
    return part


def of_store(place: Place, settings: Settings, end: Instant, site: str | None = None) -> Condition:
    """Of all that is in a database up to an instant."""
    events = read_events(place, KINDS, end, site)
    if not events:
        return Condition()
    return condition(exposure_from_store(place, 0, end, site), events, limits(settings.of_hammer))


def of_recordings(recordings: Recordings, notes: Console) -> Condition:
    """Of recorded shifts, which are replayed for their hours."""
    every = drop_corrected(event for shift in recordings.open() for event in shift.events)
    if not any(event.kind in KINDS for event in every):
        return Condition()
    shifts, result = recordings.replayed(notes)
    print_notes(notes, chain(recordings.notes(shifts), result.notes()))
    every = drop_corrected(event for shift in shifts for event in shift.events)
    events = [event for event in every if event.kind in KINDS]
    exposure, _ = from_replay((), result.stretches(), result.noted, result.end)
    return condition(exposure, events, limits(result.settings_of(recordings.settings.of_hammer)))


def limits(settings_of: Callable[[Key], HammerSettings]) -> Callable[[Key], Limits]:
    """Return a hammer's wear limits, from its operator's manual."""

    def of(key: Key) -> Limits:
        own = settings_of(key)["wear"]
        assert isinstance(own, Limits)
        return own

    return of
