"""Assemble the HTTP interface of a running processor. Imported only if the interface is switched on."""

from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path

from strikewatch.core.instant import SECOND, Instant, seconds
from strikewatch.engine.flood import Rules
from strikewatch.errors import StoreError
from strikewatch.service.review_jobs import ReviewJobs
from strikewatch.service.worker import Worker
from strikewatch.settings.tree import Settings
from strikewatch.sources.mqtt import Status
from strikewatch.storage.actions.alerts import AlertActions
from strikewatch.storage.commit.store import Store
from strikewatch.web.api.alert_routes import Deeds
from strikewatch.web.api.delivery_routes import Sending
from strikewatch.web.api.event_routes import Entering
from strikewatch.web.api.health import Health
from strikewatch.web.api.metrics import Metrics, Sources
from strikewatch.web.api.overview_routes import Overview
from strikewatch.web.api.rejected_data_routes import RejectedData
from strikewatch.web.app import Page, application
from strikewatch.web.authentication import Gate
from strikewatch.web.live.live_state import Scene
from strikewatch.web.live.stream import Stream
from strikewatch.web.live.worker_stats import Pulse
from strikewatch.web.pages.active_alerts import ActiveAlerts
from strikewatch.web.pages.formatting import View
from strikewatch.web.pages.login import Door
from strikewatch.web.pages.rendering import Press
from strikewatch.web.pages.timelines import Drawing, past
from strikewatch.web.pages.translations import SOURCE, languages
from strikewatch.web.pages.views import Sheets
from strikewatch.web.server import Server


def open_http_server(
    settings: Settings,
    store: Store,
    pulse: Pulse,
    status: Callable[[], Status],
    messages: Callable[[], int],
    wall: Callable[[], Instant],
    failed: Callable[[BaseException], None],
    scene: Scene,
) -> Server:
    """Return the server, bound to its port but not started. Raises SettingsError, StoreError."""
    http = settings.http
    health = Health(pulse, status, store, http.ready_lag_s)
    sources = Sources(messages, lambda: _size(settings.store.where))
    metrics = Metrics(health, store, sources, settings.alarms.suppressed)
    operations = [
        *Deeds(store, settings.alarms, wall).operations(),
        *Overview(store, settings.alarms, wall).operations(),
        *Sending(store, wall).operations(),
        *RejectedData(store, wall).operations(),
        *Entering(
            store, seconds(settings.intake.max_ahead_s), settings.of_hammer, scene.meter, wall
        ).operations(),
    ]
    gate = Gate(http, store, wall)
    press = Press(languages(http.words_folder))
    desk = AlertActions(store, seconds(settings.alarms.longest_shelf_h * 3600))
    recordings = settings.recording.folder
    rules = Rules.of(settings.alarms)
    drawing = Drawing(store, recordings, scene, settings.sites, View(press.words[SOURCE]))
    reviews = ReviewJobs(settings, wall)
    active = ActiveAlerts(store, drawing, settings.alarms.suppressed)
    sheets = Sheets(
        press,
        gate,
        store,
        desk,
        scene,
        drawing,
        settings.sites,
        recordings,
        rules,
        active,
        reviews.look,
        wall,
    )
    warm = partial(_fill_timelines, settings, store, scene, wall)
    stream = Stream(scene, drawing, active.version, warm, wall)
    page = Page(press, Door(press, gate, http.tls_in_front), sheets, stream, reviews.close)
    return Server(http, store, application(http, gate, operations, health, metrics, page), failed)


def open_scene(settings: Settings, worker: Worker) -> Scene:
    """Return the live state for the page, initialised from the worker's restored state."""
    scene = Scene(settings.of_hammer, settings.http.strip_h)
    scene.begin(worker.present())
    return scene


def _fill_timelines(settings: Settings, store: Store, scene: Scene, wall: Callable[[], Instant]) -> None:
    """Fill the timelines from the database and recordings; leave them empty if the database refuses."""
    now = wall()
    begin = now - round(settings.http.strip_h * 3600 * SECOND)
    with suppress(StoreError):
        scene.warm(lambda key: past(store, settings.recording.folder, key, begin, now))


def _size(where: object) -> int | None:
    """Return the size of the database file and its log in bytes; None for a server."""
    if not isinstance(where, Path):
        return None
    files = (where, where.with_name(f"{where.name}-wal"))
    return sum(one.stat().st_size for one in files if one.exists())
