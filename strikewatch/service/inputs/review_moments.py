"""The moments of a review, each with its picture and the command that replays it."""

import shlex
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.pipeline import HammerSettings
from strikewatch.errors import InputError
from strikewatch.review import excerpt, highlights
from strikewatch.review.charts.drawing import local_time
from strikewatch.review.charts.excerpt import draw_excerpt
from strikewatch.review.charts.timeline import Mark, draw_timeline
from strikewatch.review.coaching import Coaching
from strikewatch.review.data.feeds import NO_LIMITS, Feeds
from strikewatch.review.data.samples import SampleSource
from strikewatch.review.highlights import CleanStretch, Highlight
from strikewatch.review.report.compose import SiteHighlights
from strikewatch.review.report.content import ShownHighlight
from strikewatch.service.recordings import Recordings
from strikewatch.settings.tree import Settings

if TYPE_CHECKING:
    import pandas as pd

_LONGEST_EXCERPT: Final = 3600 * SECOND
"""A longer time around a fault is drawn as the timeline of a shift."""
_LONGEST_TIMELINE: Final = 12 * 3600 * SECOND
"""A longer clean stretch has no chart: its days have gaps."""


@dataclass(frozen=True, slots=True)
class ReplaySource:
    """The recordings to replay, and the folder of all of a site's recordings, if replaying them gives the same."""

    recorded: SampleSource
    root: Callable[[str], Path | None]
    config: Path | None
    recordings: Recordings | None = None
    """The recorded shifts under review, with their read options; None for a database."""
    settings_at: Callable[[Key, Instant], HammerSettings] | None = None
    """The settings of a hammer at an instant, if they may differ from the present ones."""


@dataclass
class Moments:
    """Makes the pictures and commands of one review."""

    settings: Settings
    where: ReplaySource
    coaching: Coaching
    feeds: Feeds = NO_LIMITS
    _found: dict[tuple[Path, Key], frozenset[str]] = field(default_factory=dict)

    def seen(
        self,
        exposure: "pd.DataFrame",
        faults: "pd.DataFrame",
        most: int,
        progress: Callable[[int, int], None] | None = None,
    ) -> dict[str, SiteHighlights]:
        """Return each site's highlights from EXPOSURE and FAULTS; `progress` gets the number done and the total."""
        chosen = highlights.choose_highlights(faults, most, self.feeds) if most else []
        found: dict[str, SiteHighlights] = {}
        for site in map(str, exposure["site"].unique()):
            own = [one for one in chosen if one.site == site]
            shown: dict[str, list[ShownHighlight]] = {}
            for one in own:
                shown.setdefault(one.operator, []).append(self._shown(one, faults))
                if progress:
                    progress(sum(map(len, shown.values())), len(own))
            at = exposure["site"] == site
            clean = highlights.longest_clean_stretches(exposure[at], faults[faults["site"] == site])
            pictures = {who: (one, self._clean(one) if most else None) for who, one in clean.items()}
            found[site] = SiteHighlights(shown, pictures)
        return found

    def _shown(self, one: Highlight, faults: "pd.DataFrame") -> ShownHighlight:
        key, zone = (one.site, one.hammer), self.settings.sites.zone_of(one.site)
        own = self._settings(key, one.onset)
        name = "; ".join(map(self.coaching.name, one.causes))
        ident = f"m-{one.site}-{one.id}"
        svg: str | None = None
        begin, end = excerpt.span(one.fault, one.onset, one.cleared)
        if end - begin > _LONGEST_EXCERPT:
            mark = Mark(one.onset, "medium", name)
            hours = excerpt.timeline(self.where.recorded, key, own, begin, end, [mark])
            svg = draw_timeline(ident, hours, f"{name}: the hours before", zone) if hours else None
        else:
            suspected = list(_suspected_intervals(faults, key, begin, end))
            drawn = excerpt.fault_excerpt(
                self.where.recorded, key, own, name, one.fault, one.onset, one.cleared, suspected, one.causes
            )
            svg = draw_excerpt(ident, drawn, zone) if drawn else None
        at = local_time(one.onset, zone)
        return ShownHighlight(
            one, name, f"{at.day} {at:%b, %H:%M:%S}", svg, self._command(one) if svg else ()
        )

    def _clean(self, one: CleanStretch) -> str | None:
        key, zone = (one.site, one.hammer), self.settings.sites.zone_of(one.site)
        if one.end - one.begin > _LONGEST_TIMELINE:
            return None
        hours = excerpt.timeline(self.where.recorded, key, self._settings(key, one.begin), one.begin, one.end)
        ident = f"clean-{one.site}-{one.operator}"
        return draw_timeline(ident, hours, "The longest stretch without a fault", zone) if hours else None

    def _settings(self, key: Key, at: Instant) -> HammerSettings:
        at_time = self.where.settings_at
        return self.settings.of_hammer(key) if at_time is None else at_time(key, at)

    def _command(self, one: Highlight) -> tuple[str, ...]:
        """Return the shortest replay command that finds the alert: of its recording alone, else of all."""
        key = one.site, one.hammer
        path = self.where.recorded.find_recording(key, one.onset)
        if path is None or one.id not in self._ids(path, key):
            path = self.where.root(one.site)
        if path is None:
            return ()
        config = (f"--config {shlex.quote(str(self.where.config))}",) if self.where.config else ()
        begin = one.onset // SECOND * SECOND
        end = (one.onset if one.cleared is None else one.cleared) // SECOND * SECOND + SECOND
        return (
            f"strikewatch replay {shlex.quote(str(path))}",
            *config,
            *(self.where.recordings.arguments() if self.where.recordings else ()),
            f"--hammer {shlex.quote(one.hammer)}",
            f"--from {_seconds_text(begin)}",
            f"--to {_seconds_text(end)}",
        )

    def _ids(self, path: Path, key: Key) -> frozenset[str]:
        """Return the alert ids that replaying a recording finds for a hammer; each is replayed once."""
        if (path, key) not in self._found:
            try:
                how = self.where.recordings or Recordings((), self.settings, self.where.config)
                one = replace(how, paths=(path,))
                result = one.replay(one.open(), only=key)
            except InputError:
                self._found[path, key] = frozenset()
            else:
                self._found[path, key] = frozenset(str(record["id"]) for record in result.records)
        return self._found[path, key]


def _suspected_intervals(
    faults: "pd.DataFrame", key: Key, begin: Instant, end: Instant
) -> Iterator[tuple[Instant, Instant]]:
    """Yield onset and clearing of a hammer's suspected faults that overlap [begin, end)."""
    import pandas as pd

    first, last = (pd.Timestamp(at, tz="UTC") for at in (begin, end))
    own = faults[(faults["onset"] < last) & (faults["cleared"] > first)]
    own = own[(own["site"] == key[0]) & (own["hammer"] == key[1]) & own["fault"].isin(excerpt.SUSPECTED)]
    for onset, cleared in zip(own["onset"], own["cleared"], strict=True):
        yield int(onset.as_unit("ns").value), int(cleared.as_unit("ns").value)


def _seconds_text(at: Instant) -> str:
    return instant.text(at)[:19] + "Z"
