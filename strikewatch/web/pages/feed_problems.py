"""What the sheet of feed problems shows: by sender, or the examples of one."""

from typing import Any, Final

from strikewatch.core.instant import Instant
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.engines.shared import DatabaseAccess

SHOWN: Final = 200
"""Problems on the sheet."""
EXAMPLES: Final = 10


def recent_senders(place: DatabaseAccess, now: Instant) -> int:
    """How many senders sent something in the last 24 h that was not used."""
    with place.read() as connection:
        return feed_problems.senders_since(connection, now - feed_problems.DAY)


def feed(place: DatabaseAccess, now: Instant, sender: str | None) -> dict[str, Any]:
    """The newest problems by sender; of one sender its examples too. For the template."""
    with place.read() as connection:
        found = feed_problems.search(connection, now, sender=sender, limit=SHOWN + 1)
        examples = [] if sender is None else feed_problems.examples(connection, sender, EXAMPLES)
    senders: dict[str, list[feed_problems.Problem]] = {}
    for one in found[:SHOWN]:
        senders.setdefault(one.sender, []).append(one)
    return {
        "senders": senders,
        "sender": sender,
        "examples": examples,
        "more": len(found) > SHOWN,
        "readable": feed_problems.readable,
    }
