"""The HTTP interface of a running processor, put together. Imported only where it is switched on."""

from collections.abc import Callable
from pathlib import Path

from strikewatch.board.app import application
from strikewatch.board.deeds import Deeds
from strikewatch.board.entering import Entering
from strikewatch.board.gate import Gate
from strikewatch.board.health import Health
from strikewatch.board.metrics import Metrics, Sources
from strikewatch.board.pulse import Pulse
from strikewatch.board.server import Server
from strikewatch.intake.mqtt import Status
from strikewatch.model.instant import Instant, seconds
from strikewatch.settings import Settings
from strikewatch.store.store import Store


def open_board(
    settings: Settings,
    store: Store,
    pulse: Pulse,
    status: Callable[[], Status],
    messages: Callable[[], int],
    wall: Callable[[], Instant],
    failed: Callable[[BaseException], None],
) -> Server:
    """Bound, not yet started. Raises SettingsError, StoreError."""
    http = settings.http
    health = Health(pulse, status, store, http.ready_lag_s)
    metrics = Metrics(health, store, Sources(messages, lambda: _size(settings.store.where)))
    operations = [
        *Deeds(store, settings.alarms, wall).operations(),
        *Entering(store, seconds(settings.intake.max_ahead_s), wall).operations(),
    ]
    return Server(
        http, store, application(http, Gate(http, store, wall), operations, health, metrics), failed
    )


def _size(where: object) -> int | None:
    """Bytes of a file and its log; a server's own affair otherwise."""
    if not isinstance(where, Path):
        return None
    files = (where, where.with_name(f"{where.name}-wal"))
    return sum(one.stat().st_size for one in files if one.exists())
