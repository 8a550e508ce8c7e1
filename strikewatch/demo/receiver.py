"""A small webhook receiver on loopback: checks signatures, drops duplicates, passes alerts on."""

import json
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Final

from strikewatch.errors import Rejected
from strikewatch.sinks.settings import decode_secret
from strikewatch.sinks.webhook import verify

OnAlert = Callable[[str, dict[str, Any]], None]
"""Gets the step (raised, escalated, cleared) and the alert record, one call at a time, in a server thread."""

MAX_BODY_BYTES: Final = 1_048_576
KNOWN: Final = 10_000
"""Number of message ids kept to detect duplicates."""
TYPE_PREFIX: Final = "strikewatch.alert."


class Receiver:
    """Context manager: listens at `url` while it is open. `secret` has the form whsec_...

    `now_s`: the clock to check message time stamps, Unix s. Messages with an invalid signature get status 401 and are
    counted in `refused`. If `on_alert` raises, the status is 500 and the sender retries.
    """

    def __init__(self, secret: str, on_alert: OnAlert, now_s: Callable[[], float] = time.time) -> None:
        self._key = decode_secret(secret)
        self._on_alert = on_alert
        self._now_s = now_s
        self._lock = threading.Lock()
        self._known: OrderedDict[str, None] = OrderedDict()
        self.refused = 0
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(self))
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), name="receiver")

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_port}/alerts"

    def __enter__(self) -> "Receiver":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def take(self, headers: dict[str, str], body: bytes) -> int:
        """Process one message (header names in lower case); return the HTTP status."""
        try:
            event = verify(self._key, headers, body, self._now_s())
            step = str(event["type"]).removeprefix(TYPE_PREFIX)
            record: dict[str, Any] = event["data"]
        except Rejected:
            with self._lock:
                self.refused += 1
            return 401
        except (json.JSONDecodeError, UnicodeDecodeError, KeyError, TypeError):
            return 400
        with self._lock:
            name = headers["webhook-id"]
            if name not in self._known:
                self._on_alert(step, record)
                self._known[name] = None
                if len(self._known) > KNOWN:
                    self._known.popitem(last=False)
        return 204


def _handler(receiver: Receiver) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        timeout = 30.0

        def do_POST(self) -> None:
            length = self.headers.get("content-length", "")
            if not length.isascii() or not length.isdigit() or int(length) > MAX_BODY_BYTES:
                self.close_connection = True
                self._answer(413 if length.isdigit() else 411)
                return
            body = self.rfile.read(int(length))
            headers = {name.lower(): value for name, value in self.headers.items()}
            try:
                status = receiver.take(headers, body)
            except Exception:  # noqa: BLE001 - an error of the callback: the sender retries
                status = 500
            self._answer(status)

        def _answer(self, status: int) -> None:
            self.send_response(status)
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Log nothing: the terminal of the demo shows the alerts."""

    return Handler
