"""Make a review from the database or recorded shifts: its tables, its report, and the files of both.

Run as a module, it makes one review for the page, in a process of its own.
"""

import io
import json
import os
import sys
import tempfile
import time
from argparse import Namespace
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from rich.console import Console

from strikewatch.cli import output, review_summary
from strikewatch.errors import InputError, StrikewatchError
from strikewatch.programs import find_program
from strikewatch.review import coaching, progress, rates
from strikewatch.review.coaching import Coaching
from strikewatch.review.report import compose, wording
from strikewatch.review.report.compose import SiteHighlights, Tables
from strikewatch.review.report.content import Report
from strikewatch.review.report.files import COLUMNS, print_pdf, render_html, write_plain_pdf
from strikewatch.service.recorded.recordings import progress_bar
from strikewatch.service.reviews.data import ReviewData, open_review_data
from strikewatch.service.reviews.highlights import HighlightBuilder
from strikewatch.settings.tree import Settings

if TYPE_CHECKING:
    import pandas as pd

PROGRESS_FROM: Final = 30
"""A progress bar is shown from this number of highlights on."""
PAGE_NICENESS: Final = 5
"""Niceness of the process that makes a review for the page."""
PAGE_HIGHLIGHTS: Final = 3
"""Highlights of each operator in a review for the page."""
HIGHLIGHT_COLUMNS: Final = ("site", "operator", "fault", "hammer", "onset", "id", "why", "caveat", "command")


@dataclass(frozen=True, slots=True)
class Review:
    """The results of a review."""

    tables: Tables
    highlights: Mapping[str, SiteHighlights]
    report: Report


def review(
    options: Namespace,
    settings: Settings,
    notes: Console,
    open_data: Callable[
        [Namespace, Settings, int, Console], AbstractContextManager[ReviewData]
    ] = open_review_data,
) -> Review:
    """Make the review that the options ask for, without writing it. Raises StrikewatchError with the remedy.

    `open_data` loads its data, by default from the database or recorded shifts.
    """
    texts = coaching.read(options.coaching)
    # replayed shifts show a progress bar of their own
    with ExitStack() as stack:
        with output.progress_status("Reading the database", shown=not options.paths):
            source = stack.enter_context(open_data(options, settings, time.time_ns(), notes))
            tables = _tables(source, settings, options.site)
        highlights = _highlights(options, settings, texts, source, tables, notes)
    return Review(tables, highlights, _report(options, settings, texts, source, tables, highlights))


def _tables(source: ReviewData, settings: Settings, site: str | None) -> Tables:
    """Compute the tables of the period, for one site or all; weeks are in each site's time zone."""
    import pandas as pd

    def of_site(frame: "pd.DataFrame") -> "pd.DataFrame":
        return frame if site is None else frame[frame["site"] == site].reset_index(drop=True)

    exposure, faults = map(of_site, source.period())
    before = source.before()
    earlier = (of_site(before[0]), of_site(before[1])) if before else None
    names = sorted(exposure["site"].unique())
    worked, found = of_site(source.exposure), of_site(source.faults)
    weeks = [
        rates.weeks(
            worked[worked["site"] == name],
            found[found["site"] == name],
            zone=settings.sites.zone_of(name).key,
            feeds=source.feeds,
            coached=source.coached,
        )
        for name in names
    ]
    return Tables(
        exposure,
        faults.assign(less_certain=source.feeds.uncertainties(faults)),
        rates.operators(exposure, faults, earlier, settings.review.judgement, source.feeds),
        rates.sites(exposure, faults, earlier, settings.review.judgement, source.feeds),
        rates.groups(exposure, faults, by=["site", "hammer"], feeds=source.feeds),
        rates.groups(exposure, faults, by=["site", "tool"], feeds=source.feeds),
        pd.concat(weeks, ignore_index=True) if weeks else rates.weeks(exposure, faults),
        of_site(source.usage),
        progress.effects(
            worked, found, of_site(source.coached), source.end, settings.review.judgement, source.feeds
        ),
    )


def _highlights(
    options: Namespace,
    settings: Settings,
    texts: Coaching,
    source: ReviewData,
    tables: Tables,
    notes: Console,
) -> dict[str, SiteHighlights]:
    """Make the highlights, if an output that shows them is requested: they take longest."""
    wanted = options.html or options.pdf or options.csv or options.json
    exposure, faults = tables.exposure, tables.faults
    if options.operator:
        exposure = exposure[exposure["operator"] == options.operator]
        faults = faults[faults["operator"] == options.operator]
    most = options.highlights if wanted else 0
    above = tables.operators[tables.operators["standing"] == "above"]
    first = set(zip(above["site"], above["operator"], above["fault"], strict=True))
    total = min(len(faults), most * exposure["operator"].nunique())
    with progress_bar(notes, total, "highlights", PROGRESS_FROM) as show_progress:
        builder = HighlightBuilder(settings, source.replay_source, texts, source.feeds)
        highlights = builder.of_sites(exposure, faults, most, first, show_progress)
    return {site: highlights.get(site, SiteHighlights({}, {})) for site in tables.exposure["site"].unique()}


def _report(
    options: Namespace,
    settings: Settings,
    texts: Coaching,
    source: ReviewData,
    tables: Tables,
    highlights: Mapping[str, SiteHighlights],
) -> Report:
    names = sorted(tables.exposure["site"].unique())
    zones = {name: settings.sites.zone_of(name) for name in names}
    people = sorted(tables.exposure["operator"].unique())
    nothing = ""
    if not names:
        place = f"at {options.site} " if options.site else ""
        nothing = f"No work {place}is recorded in this period: no carrier was seen working."
    elif options.operator and options.operator not in people:
        nothing = (
            f"{options.operator} was not signed on in this period; operators who were: {', '.join(people)}."
        )
    return Report(
        period=wording.period(source.begin, source.end, next(iter(zones.values()), ZoneInfo("UTC"))),
        begin=source.begin,
        end=source.end,
        coaching=texts,
        sites=()
        if nothing
        else compose.sites(
            tables, highlights, texts, zones, options.operator, source.condition, source.feeds
        ),
        faults=[str(fault) for fault in tables.sites.loc[tables.sites["count"] > 0, "fault"].unique()],
        source=source.origin,
        nothing=nothing,
        notes=source.notes,
    )


def write(options: Namespace, report: Report) -> list[str]:
    """Write the requested files and return their names. Raises InputError."""
    if not options.html and not options.pdf:
        return []
    with tempfile.TemporaryDirectory(prefix="strikewatch-") as scratch:
        if options.html:
            _write_page(report, options.html)
        browser = find_program("chromium")
        if options.pdf and browser is not None:
            page = Path(scratch) / "review.html"
            _write_page(report, page, unfolded=True)
            print_pdf(browser, page, options.pdf)
        elif options.pdf:
            _plain_pdf(report, options.pdf)
    return [str(path) for path in (options.html, options.pdf) if path]


def _write_page(report: Report, target: Path, *, unfolded: bool = False) -> None:
    try:
        target.write_text(render_html(report, unfolded=unfolded), encoding="utf-8")
    except OSError as error:
        raise InputError(f"{target}: cannot be written ({error.strerror}); name another file") from None


def _plain_pdf(report: Report, target: Path) -> None:
    """Write what the terminal shows as a PDF."""
    screen = Console(
        file=io.StringIO(), width=COLUMNS, highlight=False, markup=False, emoji=False, color_system=None
    )
    with screen.capture() as shown:
        review_summary.show(screen, report, [])
    write_plain_pdf(shown.get().splitlines(), target, f"The trainer's review, {report.period}")


def tables_by_name(
    tables: Tables, highlights: Mapping[str, SiteHighlights], operator: str | None
) -> "dict[str, pd.DataFrame]":
    """Return all tables by name; for one operator, only the operator's rows."""
    import pandas as pd

    rows = [
        {
            **{
                name: getattr(one.highlight, name)
                for name in HIGHLIGHT_COLUMNS
                if name not in ("onset", "command")
            },
            "onset": pd.Timestamp(one.highlight.onset, tz="UTC"),
            "command": " ".join(one.command),
        }
        for own in highlights.values()
        for shown in own.shown.values()
        for one in shown
    ]
    every = {name: getattr(tables, name) for name in Tables.__slots__}
    every["moments"] = pd.DataFrame(rows, columns=list(HIGHLIGHT_COLUMNS))
    if operator is None:
        return every
    return {
        name: table[table["operator"] == operator].reset_index(drop=True)
        for name, table in every.items()
        if "operator" in table
    }


def main() -> int:
    """Make one review for the page: read the request as JSON from standard input, write the report as HTML.

    Returns 2, with the reason on standard error, if it cannot be made.
    """
    os.nice(PAGE_NICENESS)
    request = json.load(sys.stdin)
    options = Namespace(
        paths=[],
        begin=request["begin"],
        end=request["end"],
        operator=None,
        site=request["site"],
        html=True,
        pdf=None,
        csv=None,
        json=False,
        highlights=PAGE_HIGHLIGHTS,
        coaching=None,
        config=None,
    )
    settings = Settings.model_validate(request["settings"])
    try:
        made = review(options, settings, Console(stderr=True, quiet=True))
    except StrikewatchError as error:
        print(error, file=sys.stderr)
        return 2
    sys.stdout.reconfigure(encoding="utf-8")  # type: ignore[union-attr]  # it is a pipe
    sys.stdout.write(render_html(made.report))
    return 0


if __name__ == "__main__":
    sys.exit(main())
