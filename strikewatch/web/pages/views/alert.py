"""One alert: evidence, samples around it, history, deliveries."""

from pathlib import Path
from typing import Any, Final

import numpy as np
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.review.charts.drawing import local_time
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.outbox import deliveries
from strikewatch.storage.queries.alerts import ListedAlert
from strikewatch.storage.queries.traces import rows_between
from strikewatch.web.live.live_state import LiveState
from strikewatch.web.pages.page import PageRequest, Pages

MOST_DELIVERIES: Final = 50
MARGIN: Final = 45 * SECOND
"""Time shown before the onset and after the end."""
LONGEST: Final = 1800 * SECOND
MOST_POINTS: Final = 6000
"""More rows are thinned to about this many."""
_CHANNELS: Final = ("active", "pressure_bar", "oil_c", "engine_rpm")


def alert(pages: Pages, page: PageRequest) -> Response:
    """Show one alert: evidence, samples, history, deliveries."""
    site = page.request.path_params["site"]
    alert = pages.context.alert_actions.alert(page.request.path_params["alert"], site)
    ident = alert.record["id"]
    with pages.context.database.read() as connection:
        sent = deliveries.search(connection, endpoint=None, state=None, alert=ident, limit=MOST_DELIVERIES)
    return pages.render(
        page,
        "alert.html",
        alert=alert,
        shift_end=pages.sites.shift_end(site, local_time(page.now, pages.sites.zone_of(site))),
        timeline=Markup(pages.timelines.around(alert.record, page.formatting, page.now)),
        history=pages.context.alert_actions.history(ident, site),
        sent=[delivery for delivery in sent if delivery.site == site],
    )


def trace(pages: Pages, request: Request) -> dict[str, Any]:
    """Return the samples around an alert, for a sender who may see it."""
    alert = pages.context.alert_actions.alert(request.path_params["alert"], request.path_params["site"])
    return read_trace(pages.context.database, pages.recordings, pages.live_state, alert, pages.context.wall())


def read_trace(
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
