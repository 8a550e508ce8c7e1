"""The highlights of a review, each with its chart and the command that replays it."""

import shlex
from collections.abc import Callable, Collection, Iterator
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
from strikewatch.review.charts.over_time import Mark, draw_excerpt, draw_timeline
from strikewatch.review.coaching import Coaching
from strikewatch.review.data.samples import SampleSource
from strikewatch.review.data.tables import NO_LIMITS, Feeds
from strikewatch.review.highlights import Highlight
from strikewatch.review.report.compose import SiteHighlights
from strikewatch.review.report.content import ShownHighlight
from strikewatch.service.recorded.recordings import Recordings
from strikewatch.settings.tree import Settings

if TYPE_CHECKING:
    import pandas as pd

_LONGEST_EXCERPT: Final = 3600 * SECOND
"""A longer time around a fault is drawn as the timeline of a shift."""


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
class HighlightBuilder:
    """Draws the highlights of one review and finds their replay commands."""

    settings: Settings
    replay_source: ReplaySource
    coaching: Coaching
    feeds: Feeds = NO_LIMITS
    _found: dict[tuple[Path, Key], frozenset[str]] = field(default_factory=dict)

    def of_sites(
        self,
        exposure: "pd.DataFrame",
        faults: "pd.DataFrame",
        most: int,
        first: Collection[tuple[str, str, str]] = (),
        progress: Callable[[int, int], None] | None = None,
    ) -> dict[str, SiteHighlights]:
        """Return at most `most` highlights of each operator of each site, from EXPOSURE and FAULTS.

        `first`: (site, operator, fault) of those to coach. `progress` gets the number done and the total.
        """
        chosen = highlights.choose_highlights(faults, most, self.feeds) if most else []
        chosen = highlights.best_of(chosen, most, first)
        found: dict[str, SiteHighlights] = {}
        for site in map(str, exposure["site"].unique()):
            own = [item for item in chosen if item.site == site]
            shown: dict[str, list[ShownHighlight]] = {}
            for item in own:
                shown.setdefault(item.operator, []).append(self._shown(item, faults))
                if progress:
                    progress(sum(map(len, shown.values())), len(own))
            at = exposure["site"] == site
            clean = highlights.longest_clean_stretches(exposure[at], faults[faults["site"] == site])
            found[site] = SiteHighlights(shown, clean)
        return found

    def _shown(self, highlight: Highlight, faults: "pd.DataFrame") -> ShownHighlight:
        key, zone = (highlight.site, highlight.hammer), self.settings.sites.zone_of(highlight.site)
        own = self._settings(key, highlight.onset)
        name = "; ".join(map(self.coaching.name, highlight.causes))
        ident = f"m-{highlight.site}-{highlight.id}"
        svg: str | None = None
        begin, end = excerpt.span(highlight.fault, highlight.onset, highlight.cleared)
        if end - begin > _LONGEST_EXCERPT:
            mark = Mark(highlight.onset, "medium", name)
            hours = excerpt.timeline(self.replay_source.recorded, key, own, begin, end, [mark])
            svg = draw_timeline(ident, hours, f"{name}: the hours before", zone) if hours else None
        else:
            suspected = list(_suspected_intervals(faults, key, begin, end))
            drawn = excerpt.fault_excerpt(
                self.replay_source.recorded,
                key,
                own,
                name,
                highlight.fault,
                highlight.onset,
                highlight.cleared,
                suspected,
                highlight.causes,
            )
            svg = draw_excerpt(ident, drawn, zone) if drawn else None
        at = local_time(highlight.onset, zone)
        return ShownHighlight(
            highlight, name, f"{at.day} {at:%b, %H:%M:%S}", svg, self._command(highlight) if svg else ()
        )

    def _settings(self, key: Key, at: Instant) -> HammerSettings:
        at_time = self.replay_source.settings_at
        return self.settings.of_hammer(key) if at_time is None else at_time(key, at)

    def _command(self, highlight: Highlight) -> tuple[str, ...]:
        """Return the shortest replay command that finds the alert: of its recording alone, else of all."""
        key = highlight.site, highlight.hammer
        path = self.replay_source.recorded.find_recording(key, highlight.onset)
        if path is None or highlight.id not in self._ids(path, key):
            path = self.replay_source.root(highlight.site)
        if path is None:
            return ()
        config = (
            (f"--config {shlex.quote(str(self.replay_source.config))}",) if self.replay_source.config else ()
        )
        begin = highlight.onset // SECOND * SECOND
        end = (
            highlight.onset if highlight.cleared is None else highlight.cleared
        ) // SECOND * SECOND + SECOND
        return (
            f"strikewatch replay {shlex.quote(str(path))}",
            *config,
            *(self.replay_source.recordings.arguments() if self.replay_source.recordings else ()),
            f"--hammer {shlex.quote(highlight.hammer)}",
            f"--from {_seconds_text(begin)}",
            f"--to {_seconds_text(end)}",
        )

    def _ids(self, path: Path, key: Key) -> frozenset[str]:
        """Return the alert ids that replaying a recording finds for a hammer; each is replayed once."""
        if (path, key) not in self._found:
            try:
                how = self.replay_source.recordings or Recordings(
                    (), self.settings, self.replay_source.config
                )
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
