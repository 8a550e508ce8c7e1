"""Server-sent events with what changes on the page, made and compressed once for all readers.

Events: `now`, a list of hammers as `as_json` gives them (whole for a new reader, then the fields that changed);
`timeline`, one hammer's timeline as a picture; `alerts`, whenever what is open or muted changes, with the time over
which readers spread their requests for it. A reader that is too
slow is disconnected and reconnects by itself.
"""

import asyncio
import contextlib
import json
import math
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

from starlette.concurrency import run_in_threadpool
from starlette.responses import StreamingResponse

from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import StrikewatchError
from strikewatch.storage.queries.sites import Sites, permits
from strikewatch.web.live.compression import ReaderCompressor, SharedCompressor, SharedEvent
from strikewatch.web.live.live_state import LiveHammer, LiveState

PERIOD_S: Final = 0.2
ALERTS_EVERY: Final = 5
"""Periods between two looks at the open alerts."""
TIMELINE_EVERY: Final = 120 * SECOND
"""Event time between two pictures of a hammer without new alerts."""
HEARD_EVERY_NS: Final = 5 * SECOND
"""When a hammer was heard is sent this often, unless other values are."""
MOST_PENDING_EVENTS: Final = 50
"""Events that may wait for one reader."""
RECONNECT_MS: Final = 1000
KEEPALIVE_S: Final = 10.0
"""Something is sent at least this often, so that silence means a lost connection; the reader is authenticated anew."""

SPREAD_MS: Final = 4
"""Each reader asks for the changed alerts after a random time, at most this for each of all readers."""

DrawTimeline = Callable[[Key, LiveHammer, Instant], str]
"""Draws a hammer's timeline up to an instant, as SVG."""


class AlertSignatures(NamedTuple):
    """Texts that differ whenever what is shown differs: of all that is open or muted, and of each hammer's marks."""

    version: str
    marks: Mapping[Key, str]


def as_json(key: Key, hammer: LiveHammer) -> dict[str, Any]:
    """Return one hammer's values now, as finely as the page shows them; None where unknown.

    Times are Unix milliseconds. Oil is in half degrees, away from the limit: what is below it never reaches it.
    """
    snapshot, limits = hammer.snapshot, hammer.limits
    return {
        "site": key[0],
        "hammer": key[1],
        "heard_ms": None
        if hammer.heard is None
        else hammer.heard // HEARD_EVERY_NS * HEARD_EVERY_NS // 1_000_000,
        "firing": snapshot.firing,
        "spot_s": math.floor(snapshot.spot_s),
        "spot_limit_s": limits.spot_s,
        "oil_c": _half_degrees(snapshot.oil_c, limits.oil_c),
        "oil_limit_c": limits.oil_c,
        "oil_slope_c_per_min": _rounded(snapshot.oil_slope_c_per_min, 1),
        "oil_reaches_min": _rounded(snapshot.oil_reaches_min, 0),
        "grease_min": math.floor(snapshot.grease_h * 60),
        "grease_due_h": limits.grease_due_h,
        "grease_overdue_h": limits.grease_overdue_h,
        "operator": snapshot.operator,
    }


Reader = asyncio.Queue[SharedEvent | None]
"""Updates waiting for one reader; None: disconnect."""


@dataclass(slots=True)
class Audience:
    """The readers who may see the same sites. `last_sent_s`: by the event loop's clock."""

    readers: set[Reader] = field(default_factory=set)
    compressor: SharedCompressor = field(default_factory=SharedCompressor)
    last_sent_s: float = 0.0


class EventStream:
    """The events for all readers.

    `signatures` tells when alerts have changed; `fill` fills the live state with what is on record and is called once,
    first; `wall` gives ns.
    """

    def __init__(
        self,
        live_state: LiveState,
        draw: DrawTimeline,
        signatures: Callable[[], AlertSignatures],
        fill: Callable[[], None],
        wall: Callable[[], Instant],
    ) -> None:
        self._live_state = live_state
        self._draw = draw
        self._signatures = signatures
        self._fill = fill
        self._wall = wall
        self._audiences: dict[Sites, Audience] = {}
        self._sent: dict[Key, dict[str, Any]] = {}
        self._timelines: dict[Key, tuple[int, bytes]] = {}
        self._alerts = AlertSignatures("", {})

    async def run(self) -> None:
        """Send events until cancelled. A task of the server's loop."""
        await run_in_threadpool(self._fill)
        period = 0
        while True:
            await asyncio.sleep(PERIOD_S)
            changed = self._live_state.apply_steps()
            if not self._audiences:
                self._sent.clear()
                continue
            period += 1
            if hammers := self._differences(changed):
                for sites, audience in self._audiences.items():
                    seen = [hammer for hammer in hammers if permits(sites, hammer["site"])]
                    if seen:
                        self._send_to(audience, self._now_event(seen))
            for key in changed:
                if await self._redraw(key):
                    self._send(self._timelines[key][1], key[0])
            if period % ALERTS_EVERY == 0:
                await self._check_alerts()
            self._keep_alive()

    async def respond(
        self, is_allowed: Callable[[], Awaitable[bool]], gzip: bool, sites: frozenset[str] | None = None
    ) -> StreamingResponse:
        """Return the events of some sites for one reader, for as long as it `is_allowed`.

        They are compressed if it accepts `gzip`.
        """
        headers = {
            "Cache-Control": "no-store",
            "X-Accel-Buffering": "no",
            "X-Content-Type-Options": "nosniff",
            **({"Content-Encoding": "gzip"} if gzip else {}),
        }
        read = self._read(is_allowed, sites)
        events = _compressed(read) if gzip else _plain(read)
        return StreamingResponse(events, media_type="text/event-stream", headers=headers)

    @property
    def readers(self) -> int:
        """How many are connected."""
        return sum(len(audience.readers) for audience in self._audiences.values())

    async def _read(
        self, is_allowed: Callable[[], Awaitable[bool]], sites: frozenset[str] | None
    ) -> AsyncIterator[bytes | SharedEvent]:
        """Yield first what a new reader needs, then the events for all who see the same sites."""
        pending: Reader = asyncio.Queue(MOST_PENDING_EVENTS)
        keys = [key for key in self._live_state.hammers if permits(sites, key[0])]
        for key in keys:
            await self._redraw(key)
        hammers = [as_json(key, self._live_state.hammers[key]) for key in keys]
        pictures = [picture for key, (_, picture) in self._timelines.items() if permits(sites, key[0])]
        self._audiences.setdefault(sites, Audience()).readers.add(pending)
        try:
            yield b"retry: %d\n\n" % RECONNECT_MS + self._now_event(hammers) + self._alerts_event()
            for picture in pictures:
                yield picture
            clock = asyncio.get_running_loop().time
            checked_s = clock()
            while True:
                if clock() - checked_s >= KEEPALIVE_S:
                    checked_s = clock()
                    if not await is_allowed():
                        return
                try:
                    event = await asyncio.wait_for(pending.get(), KEEPALIVE_S)
                except TimeoutError:
                    continue  # what keeps the connection alive is sent to all readers
                if event is None:
                    return
                yield event
        finally:
            self._disconnect(pending)

    def _differences(self, keys: Iterable[Key]) -> list[dict[str, Any]]:
        """Return of each hammer the values that differ from those sent last."""
        hammers = []
        for key in keys:
            values, sent = as_json(key, self._live_state.hammers[key]), self._sent.get(key, {})
            changed = {
                name: value for name, value in values.items() if name not in sent or sent[name] != value
            }
            if changed:
                self._sent[key] = values
                hammers.append({"site": key[0], "hammer": key[1], **changed})
        return hammers

    def _now_event(self, hammers: list[dict[str, Any]]) -> bytes:
        return _event("now", {"now_ms": self._wall() // 1_000_000, "hammers": hammers})

    def _alerts_event(self) -> bytes:
        return _event("alerts", {"version": self._alerts.version, "spread_ms": SPREAD_MS * self.readers})

    async def _redraw(self, key: Key) -> bool:
        """Draw a timeline that is out of date; return whether it was drawn."""
        hammer = self._live_state.hammers[key]
        period = hammer.snapshot.data_until // TIMELINE_EVERY
        if key in self._timelines and self._timelines[key][0] == period:
            return False
        svg = await run_in_threadpool(self._draw, key, hammer, self._wall())
        self._timelines[key] = period, _event("timeline", {"site": key[0], "hammer": key[1], "svg": svg})
        return True

    async def _check_alerts(self) -> None:
        try:
            now = await run_in_threadpool(self._signatures)
        except StrikewatchError:
            return  # tried again next time; meanwhile readers are not allowed, and see that the connection is lost
        before, self._alerts = self._alerts, now
        for key in self._timelines.keys() & (now.marks.keys() | before.marks.keys()):
            if now.marks.get(key) != before.marks.get(key):
                del self._timelines[key]
                if await self._redraw(key):
                    self._send(self._timelines[key][1], key[0])
        if now.version != before.version:
            self._send(self._alerts_event())

    def _keep_alive(self) -> None:
        """Send something to all readers at least every `KEEPALIVE_S`, so that silence means a lost connection."""
        now_s = asyncio.get_running_loop().time()
        for audience in self._audiences.values():
            if now_s - audience.last_sent_s >= KEEPALIVE_S:
                self._send_to(audience, self._now_event([]))

    def _send(self, event: bytes, site: str | None = None) -> None:
        """Send an event to all readers, or to those who see a site."""
        for sites, audience in list(self._audiences.items()):
            if site is None or permits(sites, site):
                self._send_to(audience, event)

    def _disconnect(self, reader: Reader) -> None:
        for sites, audience in list(self._audiences.items()):
            audience.readers.discard(reader)
            if not audience.readers:
                del self._audiences[sites]

    def _send_to(self, audience: Audience, event: bytes) -> None:
        audience.last_sent_s = asyncio.get_running_loop().time()
        shared = audience.compressor.add(event)
        for reader in list(audience.readers):
            try:
                reader.put_nowait(shared)
            except asyncio.QueueFull:
                audience.readers.discard(reader)
                with contextlib.suppress(asyncio.QueueEmpty):
                    while True:
                        reader.get_nowait()
                reader.put_nowait(None)


async def _plain(events: AsyncIterator[bytes | SharedEvent]) -> AsyncIterator[bytes]:
    async for event in events:
        yield event if isinstance(event, bytes) else event.plain


async def _compressed(events: AsyncIterator[bytes | SharedEvent]) -> AsyncIterator[bytes]:
    compressor = ReaderCompressor()
    async for event in events:
        yield compressor.add(event)


def _event(name: str, data: Any) -> bytes:
    return f"event: {name}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n".encode()


def _half_degrees(value_c: float | None, limit_c: float) -> float | None:
    if value_c is None or value_c == limit_c:
        return value_c
    return (math.ceil if value_c > limit_c else math.floor)(value_c * 2) / 2


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
