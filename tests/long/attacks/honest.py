"""The other hammers and the foreman's receiver, as a process of its own: HOST PORT PASSWORD.

Each hammer sends a row a second. Its oil is hot for a while, then it fires once: that row raises `hot_oil` with high
priority at its own instant, which no delay, flood or digest holds back. Once a second an operator signs on. Each line
on standard output is a JSON object: what was sent or came, and when (monotonic clock, s). Ends with its input.
"""

import json
import sys
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.core import instant

SITE = "fennick-hollow"
HAMMERS = tuple(f"HB-{n:02d}" for n in range(1, 13))
FAULT = "hot_oil"
CYCLE_S = len(HAMMERS)
"""Each hammer raises one alert in this time, so one comes each second."""
HOT_S = 7
"""Longer than the on-delay of `hot_oil`."""

_lock = threading.Lock()


def emit(**fields: Any) -> None:
    with _lock:
        print(json.dumps(fields), flush=True)


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True

    def do_POST(self) -> None:
        at = time.monotonic()
        body = json.loads(self.rfile.read(int(self.headers["content-length"])))
        self.send_response(204)
        self.send_header("content-length", "0")
        self.end_headers()
        data, kind = body.get("data") or {}, body["type"].rpartition(".")[2]
        hammer, fault = data.get("hammer"), data.get("fault")
        if hammer in HAMMERS:
            if fault == FAULT and kind == "raised":
                emit(came=f"{hammer} {data['onset']}", at=at)
        else:
            emit(other=f"{fault or 'digest'} {kind}", at=at)

    def log_message(self, *_: object) -> None:
        """Nothing."""


class Hammer:
    """One hammer with an account and a connection of its own."""

    def __init__(self, name: str, host: str, port: int, password: str) -> None:
        self.name = name
        self._events: set[int] = set()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"gateway-{name}")
        self._client.username_pw_set(f"{SITE}/{name}", password)
        self._client.on_publish = self._taken
        self._client.connect(host, port)
        self._client.loop_start()

    def second(self, at_ns: int, turn: int, raises: bool) -> None:
        """Send the row of this second; `raises`: its oil has been hot for long enough that firing raises an alert."""
        place = turn % CYCLE_S
        fires = place == HOT_S
        time_ = instant.text(at_ns)
        row = {"time": time_, "active": fires, "oil_c": 90.0 if place <= HOT_S else 60.0}
        if fires and raises:
            emit(sent=f"{self.name} {time_}", at=time.monotonic())
        self._client.publish(f"strikewatch/{SITE}/{self.name}/samples", json.dumps(row), qos=1)
        if fires:
            event = {"time": time_, "event": "sign_on", "operator": f"op-{11 + turn % 8}"}
            topic = f"strikewatch/{SITE}/{self.name}/events"
            self._events.add(self._client.publish(topic, json.dumps(event), qos=1).mid)

    def _taken(self, _client: Any, _data: Any, mid: int, *_: Any) -> None:
        """The broker has it: from here on nothing may lose it."""
        if mid in self._events:
            self._events.discard(mid)
            emit(event=self.name, at=time.monotonic())


def main(host: str, port: str, password: str) -> None:
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Handler)
    server.daemon_threads = True
    server.handle_error = lambda *_: None  # type: ignore[method-assign]  # the processor hung up
    threading.Thread(target=server.serve_forever, daemon=True).start()
    emit(url=f"http://127.0.0.1:{server.server_port}/")
    if not sys.stdin.readline():  # go
        return
    hammers = [Hammer(name, host, int(port), password) for name in HAMMERS]
    ended = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), ended.set()), daemon=True).start()
    begin, start_ns = time.monotonic(), time.time_ns() // 10**6 * 10**6
    turn = 0
    while not ended.is_set():
        for k, hammer in enumerate(hammers):
            into = turn + k / len(hammers)
            if ended.wait(max(0.0, begin + into - time.monotonic())):
                break
            # Hammer k is k seconds further in its cycle than hammer 0: their alerts take turns.
            hammer.second(start_ns + round(into * 1e6) * 1000, turn + k, turn >= HOT_S)
        turn += 1


if __name__ == "__main__":
    main(*sys.argv[1:])
