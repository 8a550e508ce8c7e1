"""A message that ends the process: it comes again after each restart, since nobody has acknowledged it."""

import time

from strikewatch.core import instant
from tests.long.attacks.attack import Attack, Done
from tests.long.attacks.poisoned import MARK
from tests.long.attacks.sender import Sender
from tests.long.attacks.site import Site, settled

DEATHS = 2
"""On its third delivery it is set aside."""


def poison(site: Site, scale: float) -> Done:
    """One message, among honest ones."""
    del scale
    before = sum(site.rejects().values())
    with Sender(site.broker) as sender:
        at = instant.text(time.time_ns() // 10**6 * 10**6)
        sender.send({"time": at, "event": "sign_on", "operator": MARK.decode()}, "events")
    done = Done(sender.sent)
    done.expect(
        settled(lambda: sum(site.rejects().values()) > before, 60.0), "it was not set aside within 60 s"
    )
    return done


ATTACKS = (
    Attack(
        "poison",
        "a message that ends the process whenever it is read",
        poison,
        says=frozenset({"log"}),
        program="tests.long.attacks.poisoned",
        deaths=DEATHS,
    ),
)
