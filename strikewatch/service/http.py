"""Assemble the HTTP interface of a running processor. Imported only if the interface is switched on."""

from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path

from strikewatch.core.instant import SECOND, Instant, seconds
from strikewatch.errors import StoreError
from strikewatch.service.push import PushEndpoints
from strikewatch.service.reviews.jobs import ReviewJobs
from strikewatch.service.worker import Worker
from strikewatch.settings.tree import Settings
from strikewatch.sources.mapping import SourceHealth
from strikewatch.sources.mqtt import Status
from strikewatch.storage.commit.store import Store
from strikewatch.web.api.monitoring import Gauges, Health, Metrics, monitoring_routes
from strikewatch.web.api.routing import ApiContext
from strikewatch.web.app import create_app
from strikewatch.web.authentication import Authenticator
from strikewatch.web.live.live_state import LiveState
from strikewatch.web.live.stream import EventStream
from strikewatch.web.live.worker_stats import WorkerStats
from strikewatch.web.pages.active import ActiveAlerts
from strikewatch.web.pages.formatting import SOURCE, Formatting, load_translations
from strikewatch.web.pages.page import Pages, Templates
from strikewatch.web.pages.routes import page_routes
from strikewatch.web.pages.timelines import Timelines, read_recorded_hours
from strikewatch.web.server import Server


def open_http_server(
    settings: Settings,
    store: Store,
    stats: WorkerStats,
    status: Callable[[], Status],
    messages: Callable[[], int],
    wall: Callable[[], Instant],
    failed: Callable[[BaseException], None],
    live_state: LiveState,
    push: PushEndpoints | None = None,
    source_health: Callable[[], Sequence[SourceHealth]] = tuple,
) -> Server:
    """Return the server, bound to its port but not started. Raises SettingsError, StoreError."""
    http, suppressed = settings.http, settings.alarms.suppressed
    authenticator = Authenticator(http, store, wall)
    context = ApiContext(
        settings=http,
        authenticator=authenticator,
        database=store,
        alarms=settings.alarms,
        wall=wall,
        max_ahead=seconds(settings.intake.max_ahead_s),
        settings_of=settings.of_hammer,
        meter=live_state.meter,
        zone_of=settings.sites.zone_of,
        push=push,
        source_health=source_health,
    )
    health = Health(stats, status, store, http.ready_lag_s, source_health)
    gauges = Gauges(messages, lambda: _database_bytes(settings.store.where))
    metrics = Metrics(health, store, gauges, suppressed)
    templates = Templates(load_translations(http.words_folder))
    recordings = settings.recording.folder
    source = Formatting(templates.translations[SOURCE])
    timelines = Timelines(store, recordings, live_state, settings.sites, source)
    active = ActiveAlerts(store, settings.sites, templates.macro, settings.of_hammer, suppressed)
    reviews = ReviewJobs(settings, wall)
    pages = Pages(
        context, templates, live_state, timelines, active, settings.sites, recordings, reviews.get_report
    )
    fill = partial(_fill_timelines, settings, store, live_state, wall)
    stream = EventStream(live_state, timelines.recent, active.signatures, fill, wall)
    routes = [
        *monitoring_routes(health, metrics, authenticator, http.timeout_s),
        *page_routes(http, authenticator, templates, pages, stream),
    ]
    return Server(http, store, create_app(context, routes, stream, templates.problem, reviews.close), failed)


def open_live_state(settings: Settings, worker: Worker) -> LiveState:
    """Return the live state for the page, initialised from the worker's restored state."""
    live_state = LiveState(settings.of_hammer, settings.http.strip_h)
    live_state.restore(worker.current_states())
    return live_state


def _fill_timelines(
    settings: Settings, store: Store, live_state: LiveState, wall: Callable[[], Instant]
) -> None:
    """Fill the timelines from the database and recordings; leave them empty if the database refuses."""
    now = wall()
    begin = now - round(settings.http.strip_h * 3600 * SECOND)
    with suppress(StoreError):
        live_state.fill(lambda key: read_recorded_hours(store, settings.recording.folder, key, begin, now))


def _database_bytes(where: object) -> int | None:
    """Return the size of the database file and its log in bytes; None for a server."""
    if not isinstance(where, Path):
        return None
    where = where.resolve()  # the log is beside the file itself
    files = (where, where.with_name(f"{where.name}-wal"))
    return sum(file.stat().st_size for file in files if file.exists())
