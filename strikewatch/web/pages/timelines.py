"""Strips with the faults that the database knows of: a hammer's last hours, drawn once for all who look, and the time
around an alert."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from sqlalchemy import select

from strikewatch.core import instant
from strikewatch.core.batch import Key, Rows
from strikewatch.core.instant import Instant
from strikewatch.sinks.filter import Sites
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.traces import rows_between
from strikewatch.storage.schema.bout_tables import bouts
from strikewatch.storage.schema.tables import alerts
from strikewatch.web.live.live_state import Scene, Watched
from strikewatch.web.live.recent_hours import MINUTE, Strip
from strikewatch.web.pages import timeline_svg
from strikewatch.web.pages.formatting import View, clock
from strikewatch.web.pages.timeline_svg import Mark

MARKS: Final = 300
"""Faults marked on one strip at most, the newest."""
BEFORE: Final = 90 * MINUTE
AFTER: Final = 30 * MINUTE
"""What a strip around an alert shows before its onset and, at least, after it."""
LONGEST: Final = 12 * 60 * MINUTE


class Drawing:
    """`recordings`: the folder of them; `view`: of what is drawn for all who look."""

    def __init__(
        self, place: DatabaseAccess, recordings: Path, scene: Scene, sites: Sites, view: View
    ) -> None:
        self._place = place
        self._recordings = recordings
        self._scene = scene
        self._sites = sites
        self._view = view

    def __call__(self, key: Key, seen: Watched, now: Instant) -> str:
        """A hammer's last hours."""
        window = self._scene.window(now)
        zone, marks = self._sites.zone_of(key[0]), self._marks(key, window, self._view, now)
        return timeline_svg.draw(key[1], seen.strip, window, marks, seen.limits.oil_c, zone, self._view)

    def around(self, record: Mapping[str, Any], view: View, now: Instant) -> str:
        """The time around an alert; empty where its hammer is not known any more. Raises StoreError."""
        key = record["site"], record["hammer"]
        seen = self._scene.hammers.get(key)
        if seen is None:
            return ""
        onset = instant.parse(record["onset"])
        over = now if record["cleared"] is None else instant.parse(record["cleared"])
        begin = (onset - BEFORE) // MINUTE * MINUTE
        end = min(max(onset + AFTER, over), now, begin + LONGEST)
        window = begin, -(-max(end, onset + MINUTE) // MINUTE) * MINUTE
        strip = seen.strip if seen.strip.holds(begin, now) else self._kept(key, window)
        zone = self._sites.zone_of(key[0])
        about = Mark(onset, record["priority"], f"{clock(onset, zone, now)} {view.fault(record['fault'])}")
        marks = self._marks(key, window, view, now)
        return timeline_svg.draw(key[1], strip, window, marks, seen.limits.oil_c, zone, view, about)

    def _marks(self, key: Key, window: tuple[Instant, Instant], view: View, now: Instant) -> list[Mark]:
        zone, a = self._sites.zone_of(key[0]), alerts.c
        wanted = (
            select(a.onset_ns, a.priority, a.fault)
            .where(
                a.site == key[0],
                a.onset_ns >= window[0],
                a.onset_ns < window[1],
                a.hammer == key[1],
            )
            .order_by(a.onset_ns.desc())
            .limit(MARKS)
        )
        with self._place.read() as connection:
            found = connection.execute(wanted).all()
        return [
            Mark(at, priority, f"{clock(at, zone, now)} {view.fault(fault)}") for at, priority, fault in found
        ]

    def _kept(self, key: Key, window: tuple[Instant, Instant]) -> Strip:
        """A strip of what is on record of a time."""
        strip = Strip((window[1] - window[0]) / (60 * MINUTE))
        fired, rows = past(self._place, self._recordings, key, *window)
        strip.take(rows)
        strip.fired(fired, None)
        return strip


def past(
    place: DatabaseAccess, recordings: Path, key: Key, begin: Instant, end: Instant
) -> tuple[list[tuple[Instant, Instant]], Rows]:
    """What a strip needs of a time that is on record: bouts, and rows with the oil. Raises StoreError."""
    b = bouts.c
    wanted = select(b.start_ns, b.end_ns).where(
        b.site == key[0], b.hammer == key[1], b.start_ns >= begin, b.start_ns < end
    )
    with place.read() as connection:
        fired = [(start, stop) for start, stop in connection.execute(wanted.order_by(b.start_ns))]
    return fired, rows_between(place, recordings, key, begin, end, ("oil_c",))
