"""The demo: everything on one machine, from a real broker to a webhook receiver that verifies signatures."""

import base64
import secrets
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from typing import Any, Final

from rich.console import Console
from rich.text import Text

from strikewatch.core import instant
from strikewatch.demo.broker import Broker, free_port
from strikewatch.demo.gateways import START_NS, Gateways, PacedClock
from strikewatch.demo.receiver import Receiver
from strikewatch.demo.site import HAMMERS, PROFILES, SITE, SITE_SETTINGS
from strikewatch.disclaimer import CAUTION
from strikewatch.errors import SettingsError, StrikewatchError
from strikewatch.service.precompile import precompile
from strikewatch.service.run import Processor
from strikewatch.settings.tree import Settings, load
from strikewatch.sinks import log
from strikewatch.storage.actions import tokens
from strikewatch.storage.engines.disk import private_umask
from strikewatch.storage.engines.shared import SharedDatabase

PACE: Final = 60.0
"""Demo time runs this many times faster than real time."""
GRACE_S: Final = 30.0
"""In demo time; half a second of real time."""
PAGE_PORT: Final = 8470
"""Used if it is free."""
PORT_ATTEMPTS: Final = 5
"""Another program may take a free port before the processor binds it."""
POLL_S: Final = 0.1
READY_S: Final = 30.0
DRAIN_S: Final = 0.7
STYLES: Final = {"high": "bold", "medium": "", "low": "dim"}


def run_demo(seconds: float | None) -> None:
    """Run the demo for some seconds, or until Ctrl-C; print alerts as they come and a summary at the end."""
    screen = Screen(Console(highlight=False, soft_wrap=True))
    precompile(screen.say)
    secret = "whsec_" + base64.b64encode(secrets.token_bytes(32)).decode()
    with (
        private_umask(),
        tempfile.TemporaryDirectory(prefix="strikewatch-demo-") as folder,
        Broker() as broker,
    ):
        clock = screen.clock = PacedClock(START_NS, PACE)
        with (
            Receiver(secret, screen.alert, lambda: clock.now_ns() / instant.SECOND) as receiver,
            ExitStack() as stack,
        ):
            settings_on = partial(_settings, Path(folder), broker, receiver.url, secret)
            settings, live = _start(stack, settings_on, clock)
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


def _settings(folder: Path, broker: Broker, url: str, secret: str, port: int) -> Settings:
    (folder / "secret").write_text(secret)
    return load(
        given={
            "mqtt": {
                "host": broker.host,
                "port": broker.port,
                "client_id": "strikewatch-demo",
                "version": "5" if broker.name == "mosquitto" else "3.1.1",  # the other broker speaks no 5
            },
            "intake": {"grace_s": GRACE_S},
            "hammers": PROFILES,
            "sites": SITE_SETTINGS,
            "store": {"path": str(folder / "strikewatch.db")},
            "recording": {"folder": str(folder / "recordings")},
            "log": {"file": str(folder / "strikewatch.log")},
            "http": {"port": port, "local_view_without_token": True},
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
    """Make a token for signing in on the page."""
    with SharedDatabase(settings.store.where) as database, database.write() as connection:
        return tokens.add(connection, "demo", "review", now)


def _start(
    stack: ExitStack, settings_on: Callable[[int], Settings], clock: PacedClock
) -> tuple[Settings, Processor]:
    """Start a processor whose page has a free port; `stack` stops it. Raises what kills it."""
    attempt = 1
    while True:
        settings = settings_on(free_port(PAGE_PORT))
        log.set_up(settings.log)
        try:
            processor = stack.enter_context(_running(Processor(settings, clock.now_ns, clock.now_ns)))
        except SettingsError as error:
            if attempt == PORT_ATTEMPTS or not any(path == "http" for path, _ in error.problems):
                raise
            attempt += 1
        else:
            return settings, processor


@contextmanager
def _running(live: Processor) -> Iterator[Processor]:
    """Run the processor in a thread and stop it at the end; raise here what killed it."""
    errors: list[BaseException] = []

    def run() -> None:
        try:
            live.run()
        except BaseException as error:  # noqa: BLE001 - raised again in the thread that waits
            errors.append(error)
            live.stop()
            live.ready.set()

    thread = threading.Thread(target=run, name="processor")
    thread.start()
    try:
        if not live.ready.wait(READY_S):
            raise StrikewatchError("the processor cannot connect to the demo's broker")
        if errors:
            raise errors[0]
        yield live
    finally:
        live.stop()
        thread.join()
        if errors:
            raise errors[0]


def _watch(live: Processor, gateways: Gateways, seconds: float | None) -> None:
    until = None if seconds is None else time.monotonic() + seconds
    while (until is None or time.monotonic() < until) and not live.stopped:
        if gateways.failure is not None:
            raise StrikewatchError(f"the gateways stopped: {gateways.failure}")
        time.sleep(POLL_S)


class Screen:
    """Prints alerts as they come, and a summary."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self.clock: PacedClock | None = None
        self._records: dict[str, dict[str, Any]] = {}
        self._delivered = 0

    def say(self, text: str) -> None:
        self._console.print(text, style="dim")

    def begin(self, broker: Broker) -> None:
        carriers = ", ".join(f"{hammer.name} on {hammer.carrier}" for hammer in HAMMERS.values())
        self._console.print(f"[bold]{SITE}[/bold], an invented site, {PACE:.0f} times faster than real time.")
        self.say(f"{carriers}; {broker.name} on {broker.host}:{broker.port}. Ctrl-C stops it.")

    def page(self, port: int, token: str) -> None:
        self._console.print(f"The site manager's page: [bold]http://127.0.0.1:{port}/[/bold]")
        self.say(
            f"Anyone on this machine can view it; to acknowledge alerts and log entries, sign in with {token}\n"
        )

    def alert(self, step: str, record: dict[str, Any]) -> None:
        """Print a delivery that the receiver has verified."""
        self._delivered += 1
        if step == "digest":
            self._records |= {one["id"]: one for one in record["alerts"]}
            self._console.print(Text(f"{record['began'][11:19]}  {record['summary']}", style="bold"))
            return
        self._records[record["id"]] = record
        at = record["cleared"] if step == "cleared" else record["onset"]
        if step == "escalated" and self.clock is not None:
            at = instant.text(self.clock.now_ns())
        who = record["operator"] or "unassigned"
        what = {"raised": record["summary"], "escalated": f"Now {record['priority']}: {record['summary']}"}
        line = Text(f"{at[11:19]}  {record['hammer']}  {who:<10}  {record['fault']:<16}  ")
        line.append(what.get(step) or f"Ended. {record['summary']}", style="dim" if step == "cleared" else "")
        if record["historic"]:
            line.append(" (historic: found late)")
        line.stylize("dim" if step == "cleared" else STYLES[record["priority"]])
        self._console.print(line)

    def end(self, sent: int, refused: int, clock: PacedClock) -> None:
        records = self._records.values()
        hours = (clock.now_ns() - START_NS) / instant.SECOND / 3600
        self._console.print(
            f"\n{hours:.1f} hours of work, {sent:,} messages, {len(records)} alerts; "
            f"{self._delivered} deliveries, every signature checked, {refused} refused."
        )
        self._count("By fault", Counter(record["fault"] for record in records))
        self._count("By operator", Counter(record["operator"] or "unassigned" for record in records))
        self.say(CAUTION)

    def _count(self, title: str, counted: Counter[str]) -> None:
        if counted:
            self._console.print(f"{title}: " + ", ".join(f"{name} {n}" for name, n in counted.most_common()))
