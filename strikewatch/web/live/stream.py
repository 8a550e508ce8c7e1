"""Server-sent events with what changes on the page, made once for all readers.

Events: `now`, a list of hammers as `as_json` gives them (all for a new reader, then those that changed); `timeline`,
one hammer's timeline as a picture; `alerts`, whenever the open alerts change. A reader that is too slow is
disconnected and reconnects by itself.
"""

import asyncio
import contextlib
import hashlib
import json
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.responses import StreamingResponse

from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import StrikewatchError
from strikewatch.storage.queries.sites import Sites, permits
from strikewatch.web.live.live_state import LiveHammer, LiveState

PERIOD_S: Final = 0.2
ALERTS_EVERY: Final = 5
"""Periods between two looks at the open alerts."""
TIMELINE_EVERY: Final = 60 * SECOND
"""Event time between two pictures: a timeline's cell is a minute."""
MOST_PENDING_EVENTS: Final = 50
"""Events that may wait for one reader."""
RECONNECT_MS: Final = 1000
KEEPALIVE_S: Final = 10.0
"""Something is sent at least this often, so that silence means a lost connection; the reader is authenticated anew."""

Reader = asyncio.Queue[bytes | None]
"""What waits for one reader; None: disconnect."""
DrawTimeline = Callable[[Key, LiveHammer, Instant], str]
"""Draws a hammer's timeline up to an instant, as SVG."""


def as_json(key: Key, hammer: LiveHammer) -> dict[str, Any]:
    """Return one hammer's values now; times are Unix milliseconds, None where unknown."""
    snapshot, limits = hammer.snapshot, hammer.limits
    return {
        "site": key[0],
        "hammer": key[1],
        "upto_ms": snapshot.data_until // 1_000_000,
        "heard_ms": None if hammer.heard is None else hammer.heard // 1_000_000,
        "firing": snapshot.firing,
        "spot_s": round(snapshot.spot_s, 1),
        "spot_limit_s": limits.spot_s,
        "oil_c": _rounded(snapshot.oil_c, 1),
        "oil_limit_c": limits.oil_c,
        "oil_slope_c_per_min": _rounded(snapshot.oil_slope_c_per_min, 2),
        "oil_reaches_min": _rounded(snapshot.oil_reaches_min, 0),
        "grease_h": round(snapshot.grease_h, 3),
        "grease_due_h": limits.grease_due_h,
        "grease_overdue_h": limits.grease_overdue_h,
        "operator": snapshot.operator,
        "tool": snapshot.tool,
    }


class EventStream:
    """The events for all readers.

    `alerts_version` gives a text that changes with the open alerts; `fill` fills the live state with what is on record
    and is called once, first; `wall` gives ns.
    """

    def __init__(
        self,
        live_state: LiveState,
        draw: DrawTimeline,
        alerts_version: Callable[[], str],
        fill: Callable[[], None],
        wall: Callable[[], Instant],
    ) -> None:
        self._live_state = live_state
        self._draw = draw
        self._alerts_version = alerts_version
        self._fill = fill
        self._wall = wall
        self._readers: dict[Reader, Sites] = {}
        """The sites that each reader may see."""
        self._timelines: dict[Key, tuple[int, bytes]] = {}
        self._alerts_event = b""

    async def run(self) -> None:
        """Send events until cancelled. A task of the server's loop."""
        await run_in_threadpool(self._fill)
        period = 0
        while True:
            await asyncio.sleep(PERIOD_S)
            changed = self._live_state.apply_steps()
            if not self._readers:
                continue
            period += 1
            if changed:
                for sites in set(self._readers.values()):
                    seen = [key for key in changed if permits(sites, key[0])]
                    if seen:
                        self._send(
                            self._now_event(seen), [one for one, its in self._readers.items() if its == sites]
                        )
            for key in changed:
                if await self._redraw(key):
                    readers = [one for one, sites in self._readers.items() if permits(sites, key[0])]
                    self._send(self._timelines[key][1], readers)
            if period % ALERTS_EVERY == 0:
                await self._check_alerts()

    async def respond(
        self, is_allowed: Callable[[], Awaitable[bool]], sites: frozenset[str] | None = None
    ) -> StreamingResponse:
        """Return the events of some sites for one reader, for as long as it `is_allowed`."""
        headers = {
            "Cache-Control": "no-store",
            "X-Accel-Buffering": "no",
            "X-Content-Type-Options": "nosniff",
        }
        return StreamingResponse(
            self._read(is_allowed, sites), media_type="text/event-stream", headers=headers
        )

    @property
    def readers(self) -> int:
        """How many are connected."""
        return len(self._readers)

    async def _read(
        self, is_allowed: Callable[[], Awaitable[bool]], sites: frozenset[str] | None
    ) -> AsyncIterator[bytes]:
        pending: Reader = asyncio.Queue(MOST_PENDING_EVENTS)
        self._readers[pending] = sites
        try:
            keys = [key for key in self._live_state.hammers if permits(sites, key[0])]
            yield b"retry: %d\n\n" % RECONNECT_MS + self._now_event(keys)
            for key in keys:
                await self._redraw(key)
                yield self._timelines[key][1]
            yield self._alerts_event
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
                    event = self._now_event([])
                if event is None:
                    return
                yield event
        finally:
            self._readers.pop(pending, None)

    def _now_event(self, keys: list[Key]) -> bytes:
        hammers = [as_json(key, self._live_state.hammers[key]) for key in keys]
        return _event("now", {"now_ms": self._wall() // 1_000_000, "hammers": hammers})

    async def _redraw(self, key: Key) -> bool:
        """Draw a timeline whose last picture is a minute old; return whether it was drawn."""
        hammer = self._live_state.hammers[key]
        minute = hammer.snapshot.data_until // TIMELINE_EVERY
        if key in self._timelines and self._timelines[key][0] == minute:
            return False
        svg = await run_in_threadpool(self._draw, key, hammer, self._wall())
        self._timelines[key] = minute, _event("timeline", {"site": key[0], "hammer": key[1], "svg": svg})
        return True

    async def _check_alerts(self) -> None:
        try:
            version = await run_in_threadpool(self._alerts_version)
        except StrikewatchError:
            return  # tried again next time; meanwhile readers are not allowed, and see that the connection is lost
        event = _event("alerts", {"version": hashlib.sha256(version.encode()).hexdigest()[:16]})
        if event != self._alerts_event:
            self._alerts_event = event
            self._timelines.clear()  # they show faults
            self._send(event, list(self._readers))

    def _send(self, event: bytes, readers: Iterable[Reader]) -> None:
        for reader in readers:
            try:
                reader.put_nowait(event)
            except asyncio.QueueFull:
                self._readers.pop(reader, None)
                with contextlib.suppress(asyncio.QueueEmpty):
                    while True:
                        reader.get_nowait()
                reader.put_nowait(None)


def _event(name: str, data: Any) -> bytes:
    return f"event: {name}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n".encode()


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
