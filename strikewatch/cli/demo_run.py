"""Run the demo: everything on one machine, from a real broker to a webhook receiver that checks signatures."""

import base64
import secrets
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from rich.console import Console

from strikewatch.cli.rendering.demo import PACE, Screen
from strikewatch.core import instant
from strikewatch.demo.broker import Broker, free_port
from strikewatch.demo.day import START_NS
from strikewatch.demo.gateways import Gateways, PacedClock
from strikewatch.demo.receiver import Receiver
from strikewatch.demo.site import PROFILES
from strikewatch.errors import StrikewatchError
from strikewatch.service.precompile import warm
from strikewatch.service.run import Live
from strikewatch.settings.tree import Settings, load
from strikewatch.sinks import log
from strikewatch.storage.actions import tokens
from strikewatch.storage.engines.shared import Beside

GRACE_S: Final = 30.0
"""In the demo's time: half a second of real time."""
PAGE_PORT: Final = 8470
"""Used if it is free."""
CHECK_S: Final = 0.1
READY_S: Final = 30.0
DRAIN_S: Final = 0.7


def demonstrate(seconds: float | None) -> int:
    """Run the demo for some seconds, or until Ctrl-C; print alerts as they arrive, and a summary at the end."""
    screen = Screen(Console(highlight=False, soft_wrap=True))
    warm(screen.say)
    secret = "whsec_" + base64.b64encode(secrets.token_bytes(32)).decode()
    with tempfile.TemporaryDirectory(prefix="strikewatch-demo-") as folder, Broker() as broker:
        clock = screen.clock = PacedClock(START_NS, PACE)
        with Receiver(secret, screen.alert, lambda: clock.now_ns() / instant.SECOND) as receiver:
            settings = _settings(Path(folder), broker, receiver.url, secret)
            log.set_up(settings.log)
            with _processing(Live(settings, clock.now_ns, clock.now_ns)) as live:
                screen.begin(broker)
                screen.page(settings.http.port, _token(settings, clock.now_ns()))
                gateways = Gateways(broker.host, broker.port, clock).start()
                try:
                    _watch(live, gateways, seconds)
                except KeyboardInterrupt:
                    screen.say("Stopping.")
                finally:
                    gateways.stop()
                    time.sleep(DRAIN_S)
        screen.end(gateways.sent, receiver.refused, clock)
    return 0


def _settings(folder: Path, broker: Broker, url: str, secret: str) -> Settings:
    (folder / "secret").write_text(secret)
    return load(
        given={
            "mqtt": {
                "host": broker.host,
                "port": broker.port,
                "client_id": "strikewatch-demo",
                "version": "5" if broker.name == "mosquitto" else "3.1.1",  # all that iotcore supports
            },
            "intake": {"grace_s": GRACE_S},
            "hammers": PROFILES,
            "store": {"path": str(folder / "strikewatch.db")},
            "recording": {"folder": str(folder / "recordings")},
            "log": {"file": str(folder / "strikewatch.log")},
            "http": {"port": free_port(PAGE_PORT), "look_freely": True},
            "webhooks": [
                {
                    "name": "demo",
                    "url": url,
                    "secret_file": str(folder / "secret"),
                    "allow_private": ["127.0.0.0/8"],
                }
            ],
        }
    )


def _token(settings: Settings, now: instant.Instant) -> str:
    """Return a token that permits actions on the page."""
    with Beside(settings.store.where) as place, place.write() as connection:
        return tokens.add(connection, "demo", "review", now)


@contextmanager
def _processing(live: Live) -> Iterator[Live]:
    """Run the processor in a thread and stop it at the end; raise the error that ended it, if any."""
    errors: list[BaseException] = []

    def run() -> None:
        try:
            live.run()
        except BaseException as error:  # noqa: BLE001 - raised again in the thread that waits
            errors.append(error)
            live.ready.set()

    thread = threading.Thread(target=run, name="processor")
    thread.start()
    try:
        if not live.ready.wait(READY_S):
            raise StrikewatchError("the processor cannot connect to the demo's broker")
        yield live
    finally:
        live.stop()
        thread.join()
        if errors:
            raise errors[0]


def _watch(live: Live, gateways: Gateways, seconds: float | None) -> None:
    until = None if seconds is None else time.monotonic() + seconds
    while (until is None or time.monotonic() < until) and not live.stopped:
        if gateways.failure is not None:
            raise StrikewatchError(f"the gateways stopped: {gateways.failure}")
        time.sleep(CHECK_S)
