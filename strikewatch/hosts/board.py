"""The HTTP interface of a running processor, put together. Imported only where it is switched on."""

from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path

from strikewatch.alarm.storm import Rules
from strikewatch.board.app import Page, application
from strikewatch.board.deeds import Deeds
from strikewatch.board.entering import Entering
from strikewatch.board.gate import Gate
from strikewatch.board.health import Health
from strikewatch.board.metrics import Metrics, Sources
from strikewatch.board.overview import Overview
from strikewatch.board.page.active import ActiveAlerts
from strikewatch.board.page.door import Door
from strikewatch.board.page.drawn import Drawing, past
from strikewatch.board.page.press import Press
from strikewatch.board.page.sheets import Sheets
from strikewatch.board.page.view import View
from strikewatch.board.page.words import SOURCE, languages
from strikewatch.board.pulse import Pulse
from strikewatch.board.rejected import RejectedData
from strikewatch.board.scene import Scene
from strikewatch.board.sending import Sending
from strikewatch.board.server import Server
from strikewatch.board.stream import Stream
from strikewatch.errors import StoreError
from strikewatch.hosts.review_served import Reviews
from strikewatch.hosts.worker import Worker
from strikewatch.intake.mqtt import Status
from strikewatch.model.instant import SECOND, Instant, seconds
from strikewatch.settings import Settings
from strikewatch.store.desk import Desk
from strikewatch.store.store import Store


def open_board(
    settings: Settings,
    store: Store,
    pulse: Pulse,
    status: Callable[[], Status],
    messages: Callable[[], int],
    wall: Callable[[], Instant],
    failed: Callable[[BaseException], None],
    scene: Scene,
) -> Server:
    """Bound, not yet started. Raises SettingsError, StoreError."""
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
    desk = Desk(store, seconds(settings.alarms.longest_shelf_h * 3600))
    recordings = settings.recording.folder
    rules = Rules.of(settings.alarms)
    drawing = Drawing(store, recordings, scene, settings.sites, View(press.words[SOURCE]))
    reviews = Reviews(settings, wall)
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
    warm = partial(_warm, settings, store, scene, wall)
    stream = Stream(scene, drawing, active.version, warm, wall)
    page = Page(press, Door(press, gate, http.tls_in_front), sheets, stream, reviews.close)
    return Server(http, store, application(http, gate, operations, health, metrics, page), failed)


def open_scene(settings: Settings, worker: Worker) -> Scene:
    """What the page shows, as the worker found it in the database."""
    scene = Scene(settings.of_hammer, settings.http.strip_h)
    scene.begin(worker.present())
    return scene


def _warm(settings: Settings, store: Store, scene: Scene, wall: Callable[[], Instant]) -> None:
    """Fill the strips with what is on record; a database that refuses leaves them empty."""
    now = wall()
    begin = now - round(settings.http.strip_h * 3600 * SECOND)
    with suppress(StoreError):
        scene.warm(lambda key: past(store, settings.recording.folder, key, begin, now))


def _size(where: object) -> int | None:
    """Bytes of a file and its log; a server's own affair otherwise."""
    if not isinstance(where, Path):
        return None
    files = (where, where.with_name(f"{where.name}-wal"))
    return sum(one.stat().st_size for one in files if one.exists())
