"""What changes on the page, sent as it comes: server-sent events, made once for all who look.

Events: `now`, a list of hammers as `reading` gives them (all of them to who comes new, then those that have changed);
`strip`, one hammer's strip as a picture; `alerts`, whenever the open ones are no longer the same. Who reads too slowly
is let go, and comes again by itself.
"""

import asyncio
import contextlib
import hashlib
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.responses import StreamingResponse

from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import StrikewatchError
from strikewatch.web.live.live_state import Scene, Watched

EVERY_S: Final = 0.2
ALERTS_EVERY: Final = 5
"""Turns from one look at the open alerts to the next."""
STRIP_EVERY: Final = 60 * SECOND
"""Of event time: a strip's cell is a minute."""
WAITING: Final = 50
"""Events that may wait for one reader."""
AGAIN_MS: Final = 1000
BEAT_S: Final = 10.0
"""Something is sent at least this often, so that silence means a lost line; and who reads is asked for the right."""

Draw = Callable[[Key, Watched, Instant], str]
"""A hammer's strip up to an instant, as SVG."""


def reading(key: Key, seen: Watched) -> dict[str, Any]:
    """One hammer this second; times are Unix milliseconds, None where unknown."""
    one, limits = seen.glance, seen.limits
    return {
        "site": key[0],
        "hammer": key[1],
        "upto_ms": one.upto // 1_000_000,
        "heard_ms": None if seen.heard is None else seen.heard // 1_000_000,
        "firing": one.firing,
        "spot_s": round(one.spot_s, 1),
        "spot_limit_s": limits.spot_s,
        "oil_c": _rounded(one.oil_c, 1),
        "oil_limit_c": limits.oil_c,
        "oil_slope_c_per_min": _rounded(one.oil_slope_c_per_min, 2),
        "oil_reaches_min": _rounded(one.oil_reaches_min, 0),
        "grease_h": round(one.grease_h, 3),
        "grease_due_h": limits.grease_due_h,
        "grease_overdue_h": limits.grease_overdue_h,
        "operator": one.operator,
        "tool": one.tool,
    }


class Stream:
    """`alerts` gives what tells whether the open alerts are the same; `warm` is called once, before all else; `wall`
    tells ns."""

    def __init__(
        self,
        scene: Scene,
        draw: Draw,
        alerts: Callable[[], str],
        warm: Callable[[], None],
        wall: Callable[[], Instant],
    ) -> None:
        self._scene = scene
        self._draw = draw
        self._alerts = alerts
        self._warm = warm
        self._wall = wall
        self._readers: set[asyncio.Queue[bytes | None]] = set()
        self._drawn: dict[Key, tuple[int, bytes]] = {}
        self._open = b""

    async def run(self) -> None:
        """Goes on until cancelled; one task of the server's loop."""
        await run_in_threadpool(self._warm)
        turn = 0
        while True:
            await asyncio.sleep(EVERY_S)
            changed = self._scene.take_in()
            if not self._readers:
                continue
            turn += 1
            if changed:
                self._send(self._now(changed))
            for key in changed:
                await self._strip(key)
            if turn % ALERTS_EVERY == 0:
                await self._look()

    async def respond(self, admitted: Callable[[], Awaitable[bool]]) -> StreamingResponse:
        """The events for one reader, for as long as it is `admitted`, which is asked with each beat."""
        headers = {
            "Cache-Control": "no-store",
            "X-Accel-Buffering": "no",
            "X-Content-Type-Options": "nosniff",
        }
        return StreamingResponse(self._read(admitted), media_type="text/event-stream", headers=headers)

    @property
    def readers(self) -> int:
        return len(self._readers)

    async def _read(self, admitted: Callable[[], Awaitable[bool]]) -> AsyncIterator[bytes]:
        mine: asyncio.Queue[bytes | None] = asyncio.Queue(WAITING)
        self._readers.add(mine)
        try:
            yield b"retry: %d\n\n" % AGAIN_MS + self._now(list(self._scene.hammers))
            for key in list(self._scene.hammers):
                await self._strip(key, send=False)
                yield self._drawn[key][1]
            yield self._open
            clock = asyncio.get_running_loop().time
            asked = clock()
            while True:
                if clock() - asked >= BEAT_S:
                    asked = clock()
                    if not await admitted():
                        return
                try:
                    event = await asyncio.wait_for(mine.get(), BEAT_S)
                except TimeoutError:
                    event = self._now([])
                if event is None:
                    return
                yield event
        finally:
            self._readers.discard(mine)

    def _now(self, keys: list[Key]) -> bytes:
        hammers = [reading(key, self._scene.hammers[key]) for key in keys]
        return _event("now", {"now_ms": self._wall() // 1_000_000, "hammers": hammers})

    async def _strip(self, key: Key, send: bool = True) -> None:
        """Draw a strip where its last picture is a minute old."""
        seen = self._scene.hammers[key]
        minute = seen.glance.upto // STRIP_EVERY
        if key in self._drawn and self._drawn[key][0] == minute:
            return
        svg = await run_in_threadpool(self._draw, key, seen, self._wall())
        self._drawn[key] = minute, _event("strip", {"site": key[0], "hammer": key[1], "svg": svg})
        if send:
            self._send(self._drawn[key][1])

    async def _look(self) -> None:
        try:
            digest = hashlib.sha256((await run_in_threadpool(self._alerts)).encode()).hexdigest()[:16]
        except StrikewatchError:
            return  # asked again at the next turn; who reads is not admitted meanwhile, and says that the line is down
        event = _event("alerts", {"version": digest})
        if event != self._open:
            self._open = event
            self._drawn.clear()  # faults are marked on the strips
            self._send(event)

    def _send(self, event: bytes) -> None:
        for reader in list(self._readers):
            try:
                reader.put_nowait(event)
            except asyncio.QueueFull:
                self._readers.discard(reader)
                with contextlib.suppress(asyncio.QueueEmpty):
                    while True:
                        reader.get_nowait()
                reader.put_nowait(None)


def _event(name: str, data: Any) -> bytes:
    return f"event: {name}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n".encode()


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
