"""Server-sent events with what changes on the page, made and compressed once for all readers.

Events: `now`, a list of hammers as `as_json` gives them (whole for a new reader, then the fields that changed);
`timeline`, one hammer's timeline as a picture; `alerts`, whenever what is open or muted changes. A reader that is too
slow is disconnected and reconnects by itself.
"""

import asyncio
import contextlib
import json
import math
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Mapping
from typing import Any, Final, NamedTuple

from starlette.concurrency import run_in_threadpool
from starlette.responses import StreamingResponse

from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import StrikewatchError
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
        self._readers: set[asyncio.Queue[SharedEvent | None]] = set()
        self._compressor = SharedCompressor()
        self._sent: dict[Key, dict[str, Any]] = {}
        self._timelines: dict[Key, tuple[int, bytes]] = {}
        self._alerts = AlertSignatures("", {})
        self._last_sent_s = 0.0

    async def run(self) -> None:
        """Send events until cancelled. A task of the server's loop."""
        await run_in_threadpool(self._fill)
        period = 0
        while True:
            await asyncio.sleep(PERIOD_S)
            changed = self._live_state.apply_steps()
            if not self._readers:
                self._sent.clear()
                continue
            period += 1
            if hammers := self._differences(changed):
                self._send(self._now_event(hammers))
            for key in changed:
                if await self._redraw(key):
                    self._send(self._timelines[key][1])
            if period % ALERTS_EVERY == 0:
                await self._check_alerts()
            self._keep_alive()

    async def respond(self, is_allowed: Callable[[], Awaitable[bool]], gzip: bool) -> StreamingResponse:
        """Return the events for one reader, for as long as it `is_allowed`; compressed if it accepts `gzip`."""
        headers = {
            "Cache-Control": "no-store",
            "X-Accel-Buffering": "no",
            "X-Content-Type-Options": "nosniff",
            **({"Content-Encoding": "gzip"} if gzip else {}),
        }
        events = self._compressed(is_allowed) if gzip else self._plain(is_allowed)
        return StreamingResponse(events, media_type="text/event-stream", headers=headers)

    @property
    def readers(self) -> int:
        """How many are connected."""
        return len(self._readers)

    async def _plain(self, is_allowed: Callable[[], Awaitable[bool]]) -> AsyncIterator[bytes]:
        async for event in self._read(is_allowed):
            yield event if isinstance(event, bytes) else event.plain

    async def _compressed(self, is_allowed: Callable[[], Awaitable[bool]]) -> AsyncIterator[bytes]:
        compressor = ReaderCompressor()
        async for event in self._read(is_allowed):
            yield compressor.add(event)

    async def _read(self, is_allowed: Callable[[], Awaitable[bool]]) -> AsyncIterator[bytes | SharedEvent]:
        """Yield first what a new reader needs, then the events for all."""
        pending: asyncio.Queue[SharedEvent | None] = asyncio.Queue(MOST_PENDING_EVENTS)
        for key in list(self._live_state.hammers):
            await self._redraw(key)
        hammers = [as_json(key, hammer) for key, hammer in self._live_state.hammers.items()]
        pictures = [picture for _, picture in self._timelines.values()]
        self._readers.add(pending)
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
            self._readers.discard(pending)

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
        return _event("alerts", {"version": self._alerts.version})

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
                    self._send(self._timelines[key][1])
        if now.version != before.version:
            self._send(self._alerts_event())

    def _keep_alive(self) -> None:
        """Send something to all readers at least every `KEEPALIVE_S`, so that silence means a lost connection."""
        clock = asyncio.get_running_loop().time
        if clock() - self._last_sent_s >= KEEPALIVE_S:
            self._send(self._now_event([]))

    def _send(self, event: bytes) -> None:
        self._last_sent_s = asyncio.get_running_loop().time()
        shared = self._compressor.add(event)
        for reader in list(self._readers):
            try:
                reader.put_nowait(shared)
            except asyncio.QueueFull:
                self._readers.discard(reader)
                with contextlib.suppress(asyncio.QueueEmpty):
                    while True:
                        reader.get_nowait()
                reader.put_nowait(None)


def _event(name: str, data: Any) -> bytes:
    return f"event: {name}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n".encode()


def _half_degrees(value_c: float | None, limit_c: float) -> float | None:
    if value_c is None or value_c == limit_c:
        return value_c
    return (math.ceil if value_c > limit_c else math.floor)(value_c * 2) / 2


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
