"""The data of a trainer's review of one site, from the tables of a replayed fleet."""

from argparse import Namespace
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console

from strikewatch.core.instant import Instant
from strikewatch.errors import InputError
from strikewatch.fleet.folder import FleetFolder
from strikewatch.fleet.rates import review_frames, site_rows
from strikewatch.review.data.samples import ShiftSamples
from strikewatch.review.data.schemas import OPERATOR_FAULTS
from strikewatch.review.data.tables import Feeds
from strikewatch.review.usage import hammer_usage
from strikewatch.service.reviews.data import ReviewData
from strikewatch.service.reviews.highlights import ReplaySource
from strikewatch.service.time_window import check_order, parse_period
from strikewatch.settings.tree import Settings

LEFT_OUT = (
    "A fleet's tables have no samples and no entries: highlights, wear and talks with operators are left out."
)


@contextmanager
def open_fleet_review(
    options: Namespace, settings: Settings, now: Instant, notes: Console
) -> Iterator[ReviewData]:
    """Load the data of `options.site` from `options.folder`. Raises InputError, naming the sites there are."""
    del notes
    folder = FleetFolder(options.folder)
    manifest = folder.manifest()
    sites = sorted(set(folder.read("counts", ["site"])["site"].to_pylist()))
    if manifest is None or options.site not in sites:
        raise InputError(f"{options.folder}: no site {options.site!r}; there are: {', '.join(sites)}")
    exposure, faults, silent, uncertain = review_frames(site_rows(folder, options.site), manifest.end)
    begin, end = parse_period(options.begin, options.end, now)
    if begin is None:
        begin = int(exposure["start"].min().as_unit("ns").value) if len(exposure) else 0
    end = max(manifest.end, begin) + 1 if end is None else end
    check_order(begin, end)
    yield ReviewData(
        exposure,
        faults[faults["fault"].isin(OPERATOR_FAULTS)].reset_index(drop=True),
        begin,
        end,
        ReplaySource(ShiftSamples([], []), lambda _: None, options.config),
        f"From {options.folder}.",
        hammer_usage(exposure, faults, begin, end, settings.of_hammer, silent, uncertain),
        (LEFT_OUT,),
        feeds=Feeds.of(silent, uncertain),
    )
