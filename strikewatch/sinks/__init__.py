"""Deliver alerts: to endpoints, by a POST or on MQTT, and to the log. Here: an endpoint, and what its sender is."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from strikewatch.core.instant import Instant

if TYPE_CHECKING:
    from strikewatch.sinks.settings import Schedule
    from strikewatch.storage.outbox.messages import Message


@dataclass(frozen=True, slots=True)
class SendResult:
    """The result of an attempt. `gone`: the endpoint wants no more messages. `summary`: the result in a few words.

    `retry_after_s`: the wait that the receiver asks for. `trace`: the steps of the attempt, one line each.
    """

    delivered: bool
    summary: str
    gone: bool = False
    retry_after_s: float = 0.0
    trace: str = ""


class Sender(Protocol):
    """Delivers messages to one endpoint; used by one thread."""

    def send(self, message: "Message", now: Instant) -> SendResult:
        """Try once, within a time limit. Errors are returned, not raised."""

    def idle(self) -> None:
        """Release what need not be held while there is nothing to send."""

    def close(self) -> None:
        """Close the connection for good."""


@dataclass(frozen=True, slots=True)
class Endpoint:
    """An endpoint: its name, its retry schedule, and the sender of its messages.

    `on_gone`: called once it wants no more messages, in place of a report that somebody must act.
    """

    name: str
    schedule: "Schedule"
    sender: Sender
    on_gone: Callable[[], None] | None = None
