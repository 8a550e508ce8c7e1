"""A worker without a broker: it takes messages given in memory, and has a real database."""

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from strikewatch.core.instant import Instant
from strikewatch.service.worker import Source, Worker
from strikewatch.settings.tree import Settings
from strikewatch.sources.mqtt import Message
from strikewatch.storage.commit.store import Store


class GivenMessages:
    """A source of the messages `coming`, at most `each` of them a step; what is put back comes again."""

    def __init__(self, coming: Iterable[Message] = (), each: int | None = None) -> None:
        self.coming = list(coming)
        self.acknowledged: list[Message] = []
        self._each = each

    def take(self, limit: int, timeout_s: float) -> list[Message]:
        del timeout_s
        n = limit if self._each is None else min(self._each, limit)
        taken, self.coming = self.coming[:n], self.coming[n:]
        return taken

    def acknowledge(self, messages: Iterable[Message]) -> None:
        self.acknowledged += messages

    def put_back(self, messages: Sequence[Message]) -> None:
        self.coming[:0] = messages


def worker_of(
    store: Store,
    source: Source,
    wall: Callable[[], Instant],
    monotonic: Callable[[], Instant] = lambda: 0,
    settings: Settings | None = None,
    **more: Any,
) -> Worker:
    """Return a worker that gives up at once if the database refuses a step; `more` as for `Worker`."""
    given: dict[str, Any] = {"alerts_changed": lambda: None, "wait": lambda _s: True, **more}
    return Worker(settings or Settings(), store, source, wall=wall, monotonic=monotonic, **given)


def work_off(worker: Worker) -> Worker:
    """Make steps until no message is left; return the worker."""
    while worker.turn(0.0):
        pass
    return worker
