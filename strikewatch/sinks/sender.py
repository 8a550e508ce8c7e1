"""What the courier asks of whatever carries messages to one endpoint: a POST, or a message on MQTT."""

from dataclasses import dataclass
from typing import Protocol

from strikewatch.core.instant import Instant
from strikewatch.storage.outbox.messages import Message


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of an attempt: `taken` if it was, `gone` if the endpoint wants no more ever, `words` in short.

    `retry_after_s` is the wait that it asks for, `story` how far the attempt came, a line each step.
    """

    taken: bool
    words: str
    gone: bool = False
    retry_after_s: float = 0.0
    story: str = ""


class Sender(Protocol):
    """Carries messages to one endpoint; used by one thread."""

    def send(self, message: Message, now: Instant) -> Answer:
        """Try once, within bounds of time; what goes wrong is told, not raised."""

    def rest(self) -> None:
        """Nothing more for now."""

    def close(self) -> None:
        """Nothing more at all."""
