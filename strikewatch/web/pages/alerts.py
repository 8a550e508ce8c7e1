"""Alerts on the page: active alerts, mutes and ended alerts; the search in the history; the samples around an alert."""

import hashlib
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlencode

import numpy as np
from markupsafe import Markup
from pydantic import BaseModel, ConfigDict, ValidationError

from strikewatch.core import instant
from strikewatch.core.alert import PRIORITIES
from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.lifecycle import ACTIVE, STATES, SUPPRESSED
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.active import Mute, change_signature, count_sent, ended_groups, list_mutes
from strikewatch.storage.queries.alerts import Filter, ListedAlert, search
from strikewatch.storage.queries.traces import rows_between
from strikewatch.web.api.problems import invalid
from strikewatch.web.api.routing import parse_time
from strikewatch.web.live.live_state import LiveState
from strikewatch.web.pages.formatting import Formatting, Translation
from strikewatch.web.pages.timelines import Timelines

CARDS: Final = 12
"""Alerts shown with description and advice, the highest priority first; the others get one line."""
DAY: Final = 86_400 * SECOND


@dataclass(frozen=True, slots=True)
class ActiveAlerts:
    """What needs somebody now. `_suppressed`: the faults that the settings suppress."""

    _database: DatabaseAccess
    _timelines: Timelines
    _suppressed: Collection[str]

    def variables(self, formatting: Formatting, now: Instant, with_timelines: bool = False) -> dict[str, Any]:
        """Return the variables of `_active.html`, on request with the hours around each card. Raises StoreError."""
        with self._database.read() as connection:
            active = search(connection, Filter(states=ACTIVE), order="gravity")
            muted = list_mutes(connection, self._suppressed)
            groups = ended_groups(connection)
            last_day = count_sent(connection, now - DAY)
        waiting = [alert for alert in active if alert.state == "unacknowledged"]
        cards = [alert for alert in waiting if alert.record["priority"] != "low"][:CARDS]
        acknowledged = [alert for alert in active if alert.state == "acknowledged"]
        muted_alerts = [alert for alert in active if alert.state in SUPPRESSED]
        timelines = {
            alert.record["id"]: Markup(self._timelines.around(alert.record, formatting, now))
            for alert in (cards if with_timelines else ())
        }
        return {
            "headline": headline(formatting.translation, [*waiting, *acknowledged], muted_alerts),
            "cards": cards,
            "more": waiting[len(cards) :],
            "acknowledged": acknowledged,
            "muted_alerts": muted_alerts,
            "mutes": muted,
            "muted_hammers": _by_hammer(muted),
            "ended": groups,
            "ended_count": sum(group.count for group in groups),
            "last_day": last_day,
            "timelines": timelines,
        }

    def version(self) -> str:
        """Return a text that differs whenever the lists differ. Raises StoreError."""
        digest = hashlib.sha256()
        with self._database.read() as connection:
            for row in change_signature(connection):
                digest.update(repr(row).encode())
            digest.update(repr(list_mutes(connection, self._suppressed)).encode())
        return digest.hexdigest()


def headline(translation: Translation, active: Sequence[ListedAlert], muted: Sequence[ListedAlert]) -> str:
    """Say how many alerts are active, by priority; muted ones apart."""
    if not active:
        text = translation("now.quiet")
    else:
        count = translation("now.one") if len(active) == 1 else translation("now.many", n=len(active))
        text = translation("now.which", said=count, parts=_by_priority(translation, active))
    if not muted:
        return text
    return translation("now.and_muted", said=text, parts=_by_priority(translation, muted))


def _by_priority(translation: Translation, listed: Sequence[ListedAlert]) -> str:
    """Return such as "1 high, 5 medium"."""
    counts = Counter(str(alert.record["priority"]) for alert in listed)
    return ", ".join(
        f"{counts[priority]} {translation(f'priority.{priority}')}"
        for priority in PRIORITIES[::-1]
        if counts[priority]
    )


def _by_hammer(muted: Sequence[Mute]) -> dict[str, list[Mute]]:
    """Return the mutes of single hammers by the key of the hammer's row."""
    by_hammer: dict[str, list[Mute]] = {}
    for mute in muted:
        if mute.hammer:
            by_hammer.setdefault(f"{mute.site}/{mute.hammer}", []).append(mute)
    return by_hammer


class AlertSearch(BaseModel):
    """The form that searches the history; an empty field is no condition."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    hammer: str = ""
    operator: str = ""
    fault: str = ""
    priority: str = ""
    since: str = ""
    before: str = ""

    @staticmethod
    def parse(parameters: Mapping[str, Any]) -> "AlertSearch":
        """Read the parameters of a request. Raises Problem 422 for unknown ones."""
        try:
            return AlertSearch.model_validate_strings(dict(parameters))
        except ValidationError as error:
            raise invalid(error.errors()) from error

    def filter(self) -> tuple[Filter, dict[str, str]]:
        """Return the filter, and what is wrong by field."""
        wrong: dict[str, str] = {}
        found = Filter(
            None,
            self.hammer or None,
            self.fault or None,
            self.operator or None,
            self.priority or None,  # type: ignore[arg-type]  # an unknown priority matches nothing
            _parse(self.since, "since", wrong),
            STATES,
            _parse(self.before, "before", wrong),
        )
        return found, wrong

    def earlier(self, before: str) -> str:
        """Return the query of the same search for earlier alerts."""
        return urlencode({**self.model_dump(exclude_defaults=True), "before": before})


def _parse(text: str, name: str, wrong: dict[str, str]) -> Instant | None:
    """Parse RFC 3339, or a day (UTC) as a date field gives it."""
    if not text:
        return None
    try:
        return parse_time(f"{text}T00:00:00Z" if len(text) == 10 else text)
    except ValueError as error:
        wrong[name] = str(error)
        return None


MARGIN: Final = 45 * SECOND
"""Time shown before the onset and after the end."""
LONGEST: Final = 1800 * SECOND
MOST_POINTS: Final = 6000
"""More rows are thinned to about this many."""
_CHANNELS: Final = ("active", "pressure_bar", "oil_c", "engine_rpm")


def trace(
    database: DatabaseAccess, recordings: Path, live_state: LiveState, alert: ListedAlert, now: Instant
) -> dict[str, Any]:
    """Return the samples around an alert.

    Returns:
        begin_ms, onset_ms, cleared_ms (Unix milliseconds), oil_limit_c, level_bar, time_s [n] from begin, and a
        list [n] for each channel, None where not sampled. Without rows time_s is empty.
    """
    record = alert.record
    key = record["site"], record["hammer"]
    onset = instant.parse(record["onset"])
    cleared = None if record["cleared"] is None else instant.parse(record["cleared"])
    begin = onset - MARGIN
    end = min((now if cleared is None else cleared) + MARGIN, begin + LONGEST)
    rows = _thinned(rows_between(database, recordings, key, begin, end))
    hammer = live_state.hammers.get(key)
    return {
        "begin_ms": begin // 1_000_000,
        "onset_ms": onset // 1_000_000,
        "cleared_ms": None if cleared is None else cleared // 1_000_000,
        "oil_limit_c": None if hammer is None else hammer.limits.oil_c,
        "level_bar": record["evidence"].get("loaded_level_bar"),
        "time_s": ((rows.time_ns - begin) / SECOND).round(3).tolist(),
        **{name: _as_list(rows.columns[name]) for name in _CHANNELS if name in rows.columns},
    }


def _as_list(column: Any) -> list[float | None]:
    return [None if value != value else round(value, 2) for value in column.tolist()]


def _thinned(rows: Rows) -> Rows:
    """Return of each block of rows those with the lowest and the highest pressure."""
    step = -(-len(rows) * 2 // MOST_POINTS)
    if step <= 2 or "pressure_bar" not in rows.columns:
        return rows if step <= 2 else rows[::step]
    pressure = rows.columns["pressure_bar"]
    whole = len(rows) // step * step
    blocks = pressure[:whole].reshape(-1, step)
    first = np.arange(len(blocks)) * step
    low = first + np.argmin(np.where(np.isnan(blocks), np.inf, blocks), axis=1)
    high = first + np.argmax(np.where(np.isnan(blocks), -np.inf, blocks), axis=1)
    return rows[np.unique(np.concatenate([low, high]))]
