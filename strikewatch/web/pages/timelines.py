"""Timelines of a hammer: bouts as bars, the oil as a line under its dashed limit, faults as marks, gaps hatched.

A timeline is as wide as there is room: what follows time is stretched, texts and marks are not. Colours come from the
style sheet, by class. The review's timeline (`review/charts/over_time`) is for paper: of one width, with an axis
and a key; shapes and hours are the same.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import select

from strikewatch.core import instant
from strikewatch.core.alert import PRIORITIES, Priority
from strikewatch.core.batch import Floats, Ints, Key, Rows
from strikewatch.core.instant import Instant
from strikewatch.review.charts.drawing import BY_PRIORITY, OUTLINES, time_ticks
from strikewatch.sinks.sites import Sites
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.traces import rows_between
from strikewatch.storage.schema.tables import alerts, bouts
from strikewatch.web.live.live_state import HOUR, MINUTE, LiveHammer, LiveState, RecentHours, Span
from strikewatch.web.pages.formatting import Formatting, clock

MOST_MARKS: Final = 300
"""Faults marked on one timeline, the newest."""
BEFORE_ALERT: Final = 90 * MINUTE
AFTER_ALERT: Final = 30 * MINUTE
"""Time shown before an alert's onset and, at least, after it."""
LONGEST: Final = 12 * HOUR
LANE: Final = 36
LARGE_LANE: Final = 120
"""Heights of the lane with bars and oil, px. The marks are above it, the hours below."""
_MARKS_HEIGHT: Final = 16
_HOURS_HEIGHT: Final = 14
_LOWEST_OIL_C: Final = 20.0
CLOSE_SHARE: Final = 0.04
"""Marks closer than this share of the window are one stretch: about the width of a mark on a phone."""
_PILL_LEFT: Final = 12.0
"""From here on, in percent of the width, there is room for the number before the mark."""
_MOST_TICKS: Final = 6
"""Hours that fit on a phone."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A fault on a timeline: its onset, priority and label."""

    at: Instant
    priority: Priority
    text: str


@dataclass(frozen=True, slots=True)
class Timelines:
    """Draws timelines with the faults in the database. `_formatting`: of those drawn once for all readers."""

    _database: DatabaseAccess
    _recordings: Path
    _live_state: LiveState
    _sites: Sites
    _formatting: Formatting

    def recent(self, key: Key, hammer: LiveHammer, now: Instant) -> str:
        """Draw a hammer's last hours, as SVG."""
        window = self._live_state.window(now)
        zone, marks = self._sites.zone_of(key[0]), self._marks(key, window, self._formatting, now)
        return draw(key[1], hammer.hours, window, marks, hammer.limits.oil_c, zone, self._formatting)

    def day(self, key: Key, formatting: Formatting, begin: Instant, now: Instant) -> str:
        """Draw a hammer's day up to now, large. Raises StoreError."""
        hammer = self._live_state.hammers[key]
        window = begin // MINUTE * MINUTE, -(-now // MINUTE) * MINUTE
        hours = hammer.hours if hammer.hours.covers(begin, now) else self._from_record(key, window)
        marks = self._marks(key, window, formatting, now)
        zone, limit_c = self._sites.zone_of(key[0]), hammer.limits.oil_c
        return draw(key[1], hours, window, marks, limit_c, zone, formatting, lane=LARGE_LANE)

    def around(self, record: Mapping[str, Any], formatting: Formatting, now: Instant) -> str:
        """Draw the time around an alert; "" if its hammer is unknown now. Raises StoreError."""
        key = record["site"], record["hammer"]
        hammer = self._live_state.hammers.get(key)
        if hammer is None:
            return ""
        onset = instant.parse(record["onset"])
        cleared = now if record["cleared"] is None else instant.parse(record["cleared"])
        begin = (onset - BEFORE_ALERT) // MINUTE * MINUTE
        end = min(max(onset + AFTER_ALERT, cleared), now, begin + LONGEST)
        window = begin, -(-max(end, onset + MINUTE) // MINUTE) * MINUTE
        hours = hammer.hours if hammer.hours.covers(begin, now) else self._from_record(key, window)
        zone = self._sites.zone_of(key[0])
        label = f"{clock(onset, zone, now)} {formatting.fault_name(record['fault'])}"
        subject = Mark(onset, record["priority"], label)
        marks = self._marks(key, window, formatting, now)
        return draw(key[1], hours, window, marks, hammer.limits.oil_c, zone, formatting, subject)

    def _marks(self, key: Key, window: Span, formatting: Formatting, now: Instant) -> list[Mark]:
        zone, column = self._sites.zone_of(key[0]), alerts.c
        query = (
            select(column.onset_ns, column.priority, column.fault)
            .where(
                column.site == key[0],
                column.onset_ns >= window[0],
                column.onset_ns < window[1],
                column.hammer == key[1],
            )
            .order_by(column.onset_ns.desc())
            .limit(MOST_MARKS)
        )
        with self._database.read() as connection:
            onsets = connection.execute(query).all()
        return [
            Mark(at, priority, f"{clock(at, zone, now)} {formatting.fault_name(fault)}")
            for at, priority, fault in onsets
        ]

    def _from_record(self, key: Key, window: Span) -> RecentHours:
        """Return the hours of a window from the database and recordings."""
        hours = RecentHours((window[1] - window[0]) / HOUR)
        ended, rows = read_recorded_hours(self._database, self._recordings, key, *window)
        hours.add_rows(rows)
        hours.add_bouts(ended, None)
        return hours


def read_recorded_hours(
    database: DatabaseAccess, recordings: Path, key: Key, begin: Instant, end: Instant
) -> tuple[list[Span], Rows]:
    """Read what is on record of a time: the bouts, and the rows with the oil. Raises StoreError."""
    column = bouts.c
    query = (
        select(column.start_ns, column.end_ns)
        .where(
            column.site == key[0],
            column.hammer == key[1],
            column.start_ns >= begin,
            column.start_ns < end,
        )
        .order_by(column.start_ns)
    )
    with database.read() as connection:
        ended = [(start, stop) for start, stop in connection.execute(query)]
    return ended, rows_between(database, recordings, key, begin, end, ("oil_c",))


def draw(
    name: str,
    hours: RecentHours,
    window: Span,
    marks: Iterable[Mark],
    limit_c: float,
    zone: ZoneInfo,
    formatting: Formatting,
    subject: Mark | None = None,
    lane: int = LANE,
) -> str:
    """Draw a window of whole minutes as SVG: of the hammer `name`, on request for the mark `subject`.

    `lane`: the height of bars and oil, px.
    """
    begin, end = window
    width = (end - begin) // MINUTE
    label = name if subject is None else f"{name}-{subject.at}"
    ident = "".join(character if character.isalnum() else "-" for character in label)
    heard, oil_c = hours.oil(begin, end)
    column = ((heard - begin) // MINUTE).astype(np.int64)
    fired = _firing_share(hours, begin, end, width)
    marks = sorted((mark for mark in marks if begin <= mark.at < end), key=lambda mark: mark.at)
    stretches = cluster(marks, round((end - begin) * CLOSE_SHARE))
    text = formatting.translation
    title = (
        text("timeline.title", hammer=name, hours=f"{width / 60:.0f}", marks=len(marks))
        if subject is None
        else text("timeline.around", hammer=name, about=subject.text, marks=len(marks))
    )
    description = text("timeline.description", firing=formatting.duration(float(fired.sum()) * 60.0))
    height = _MARKS_HEIGHT + lane + _HOURS_HEIGHT
    top_c = max(limit_c + 15.0, float(np.nanmax(oil_c)) if np.isfinite(oil_c).any() else 0.0)
    parts = [
        f'<svg class="timeline" role="img" aria-labelledby="{ident}-t {ident}-d" width="100%" height="{height}">',
        f'<title id="{ident}-t">{escape(title)}</title><desc id="{ident}-d">{escape(description)}</desc>',
        f'<defs><pattern id="{ident}-gap" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><path class="hatch" d="M0,0V6"/></pattern></defs>',
        f'<rect class="ground" y="{_MARKS_HEIGHT}" width="100%" height="{lane}"/>',
        *_gaps(ident, column, width, lane),
        f'<svg y="{_MARKS_HEIGHT}" width="100%" height="{lane}" viewBox="0 0 {width} {lane}" '
        'preserveAspectRatio="none">',
        f'<path class="fired" d="{_bars(fired, lane)}"/>',
        f'<path class="limit" d="M0,{_height(limit_c, top_c, lane):.1f}H{width}"/>',
        f'<path class="oil" d="{_oil_line(column, oil_c, top_c, lane)}"/></svg>',
        *_ticks(begin, end, zone, lane),
        *([] if subject is None else [_subject_line(subject, begin, end, lane)]),
        *(_stretch(stretch, begin, end, stretch is stretches[-1], formatting) for stretch in stretches),
        "</svg>",
    ]
    return "".join(parts)


def _firing_share(hours: RecentHours, begin: Instant, end: Instant, width: int) -> Floats:
    """Return the share of each minute in which the hammer fired [width]."""
    share = np.zeros(width)
    for start, stop in hours.bouts(begin, end):
        for minute in range((start - begin) // MINUTE, (stop - 1 - begin) // MINUTE + 1):
            minute_begin = begin + minute * MINUTE
            share[minute] += (min(stop, minute_begin + MINUTE) - max(start, minute_begin)) / MINUTE
    return share


def _bars(fired: Floats, lane: int) -> str:
    """Return one outline of all bars; equal neighbours are one bar."""
    heights = np.round(fired * (lane - 4)).astype(np.int64)
    edges = np.flatnonzero(np.diff(heights, prepend=-1, append=-1)).tolist()
    return "".join(
        f"M{left},{lane}V{lane - heights[left]}H{right}V{lane}"
        for left, right in pairwise(edges)
        if heights[left] > 0
    )


def _height(oil_c: float, top_c: float, lane: int) -> float:
    clamped_c = min(max(oil_c, _LOWEST_OIL_C), top_c)
    return lane - lane * (clamped_c - _LOWEST_OIL_C) / (top_c - _LOWEST_OIL_C)


def _oil_line(column: Ints, oil_c: Floats, top_c: float, lane: int) -> str:
    """Return the oil minute by minute; a missing minute interrupts the line."""
    points, previous = [], -2
    for x, value_c in zip(column.tolist(), oil_c.tolist(), strict=True):
        if value_c != value_c:
            continue
        points.append(f"{'L' if x == previous + 1 else 'M'}{x + 0.5:g},{_height(value_c, top_c, lane):.1f}")
        previous = x
    return "".join(points)


def _gaps(ident: str, column: Ints, width: int, lane: int) -> list[str]:
    """Return hatching over the minutes in which nothing was heard."""
    silent = np.ones(width, bool)
    silent[column] = False
    edges = np.flatnonzero(np.diff(silent.astype(np.int8), prepend=0, append=0)).tolist()
    return [
        f'<rect fill="url(#{ident}-gap)" x="{100 * left / width:.2f}%" y="{_MARKS_HEIGHT}" '
        f'width="{100 * (right - left) / width:.2f}%" height="{lane}"/>'
        for left, right in zip(edges[::2], edges[1::2], strict=True)
    ]


def _ticks(begin: Instant, end: Instant, zone: ZoneInfo, lane: int) -> Iterable[str]:
    """Yield the site's hours, as many as fit."""
    for at, label in time_ticks(begin, end, zone, _MOST_TICKS):
        x = 100 * (at - begin) / (end - begin)
        yield f'<svg x="{x:.2f}%" y="{_MARKS_HEIGHT + lane}" overflow="visible"><path class="tick" d="M0,0V4"/></svg>'
        if 3 < x < 97:
            yield f'<text class="hour" x="{x:.2f}%" y="{_MARKS_HEIGHT + lane + _HOURS_HEIGHT - 1}">{label}</text>'


def _subject_line(mark: Mark, begin: Instant, end: Instant, lane: int) -> str:
    """Return a vertical line at the mark for which the timeline is drawn."""
    x = 100 * (mark.at - begin) / (end - begin)
    return (
        f'<svg x="{x:.2f}%" overflow="visible"><path class="subject" d="M0,12V{_MARKS_HEIGHT + lane}"/></svg>'
    )


def cluster(marks: Sequence[Mark], close: Instant) -> list[list[Mark]]:
    """Group marks in order of time: each follows the one before it in its group within `close`."""
    stretches: list[list[Mark]] = []
    for mark in marks:
        if stretches and mark.at - stretches[-1][-1].at <= close:
            stretches[-1].append(mark)
        else:
            stretches.append([mark])
    return stretches


def _stretch(
    marks: Sequence[Mark], begin: Instant, end: Instant, newest: bool, formatting: Formatting
) -> str:
    """Return the marks of one stretch: a single one, or a bar with their number that ends in the newest mark."""
    last = marks[-1]
    x = 100 * (last.at - begin) / (end - begin)
    priority = max((mark.priority for mark in marks), key=PRIORITIES.index)
    text = last.text
    bar = count = ""
    if len(marks) > 1:
        first_x = 100 * (marks[0].at - begin) / (end - begin)
        text = formatting.translation("timeline.stretch", n=len(marks), first=marks[0].text, last=last.text)
        bar = f'<rect class="stretch {priority}" x="{first_x:.2f}%" y="6" width="{x - first_x:.2f}%" height="4"/>'
        count = (
            f'<rect class="pill" x="{-31 if x > _PILL_LEFT else 9}" y="-7" width="22" height="14" rx="3"/>'
            f'<text class="number" x="{-20 if x > _PILL_LEFT else 20}" y="4">{len(marks)}</text>'
        )
    size = "" if not newest else ' transform="scale(1.3)"'
    return (
        f'{bar}<svg x="{x:.2f}%" y="8" overflow="visible"><g class="mark {last.priority}"><title>{escape(text)}</title>'
        f'{count}<path{size} d="{OUTLINES[BY_PRIORITY[last.priority]]}"/></g></svg>'
    )
