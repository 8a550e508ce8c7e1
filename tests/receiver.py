"""A real webhook receiver for tests: an HTTP server on a free loopback port that verifies what it is sent.

    with Receiver(key, script=[503, 200]) as receiver:      # the first answer is 503, all later ones 200
        ...                                                 # post to receiver.url
        receiver.wait_for(2)
        receiver.received[0].event["type"]

An entry of the script is a status, or an `Answer` with headers, a body and a wait. The last one stays. An outage is
`receiver.meanwhile = Answer(...)`: everybody's answer until it is None again.
"""

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any

from strikewatch.errors import Rejected
from strikewatch.sinks import webhook
from tests.waiting import LIMIT_S


@dataclass(frozen=True)
class Answer:
    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    wait_s: float = 0.0
    hang_up: bool = False


@dataclass(frozen=True)
class Received:
    """One attempt as it came. `port` is the sender's: the same for two attempts over one connection."""

    headers: dict[str, str]
    body: bytes
    event: dict[str, Any] | None
    refused: str
    status: int
    port: int
    at: float

    @property
    def name(self) -> str:
        return self.headers["webhook-id"]


class Receiver:
    """`now_s` is the clock that signatures are checked against."""

    def __init__(
        self, key: bytes, script: Sequence[int | Answer] = (200,), now_s: Callable[[], float] = time.time
    ) -> None:
        self.received: list[Received] = []
        self.meanwhile: Answer | None = None
        self._script = [Answer(one) if isinstance(one, int) else one for one in script]
        self._came = threading.Condition()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            disable_nagle_algorithm = True

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                headers = {name.lower(): value for name, value in self.headers.items()}
                event, refused = None, ""
                try:
                    event = webhook.verify(key, headers, body, now_s())
                except Rejected as error:
                    refused = error.reason
                with receiver._came:
                    turn = min(len(receiver.received), len(receiver._script) - 1)
                    answer = receiver.meanwhile or receiver._script[turn]
                    port = self.client_address[1]
                    receiver.received.append(
                        Received(headers, body, event, refused, answer.status, port, time.monotonic())
                    )
                    receiver._came.notify_all()
                time.sleep(answer.wait_s)
                if answer.hang_up:
                    self.close_connection = True
                    return
                self.send_response(answer.status)
                for name, value in {"content-length": str(len(answer.body)), **answer.headers}.items():
                    self.send_header(name, value)
                self.end_headers()
                self.wfile.write(answer.body)

            def log_message(self, format: str, *args: Any) -> None:
                pass

        class Server(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, request: Any, client_address: Any) -> None:
                pass  # a sender that hung up, which some tests do on purpose

        self._server = Server(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}/alerts?from=site"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)

    def __enter__(self) -> "Receiver":
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def wait_for(self, n: int, timeout_s: float = LIMIT_S) -> list[Received]:
        """The first `n` attempts, once they have come."""
        with self._came:
            assert self._came.wait_for(lambda: len(self.received) >= n, timeout_s), (
                f"{len(self.received)} of {n} came in {timeout_s} s"
            )
            return self.received[:n]

    def events(self, n: int) -> list[dict[str, Any]]:
        """The events of the first `n` attempts, all of which must have been rightly signed."""
        got = self.wait_for(n)
        assert [one.refused for one in got] == [""] * n
        return [one.event or {} for one in got]

    @property
    def names(self) -> list[str]:
        """Of the attempts that were answered with success, the distinct messages in order of arrival."""
        return list(dict.fromkeys(one.name for one in self.received if one.status == 200))
