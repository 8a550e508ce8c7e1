"""A loose plug: readings that jump between possible and impossible with every row."""

import time
from functools import partial

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from tests.long.attacks.attack import Attack, Done
from tests.long.attacks.sender import Sender
from tests.long.attacks.site import Site

STEP_S = 0.001
IMPOSSIBLE_BAR = 5000.0


def flips(site: Site, scale: float, count: int) -> Done:
    """All in one block, which the broker delivers at once."""
    flips = round(count * scale)
    start = time.time_ns() - round(2 * flips * STEP_S * SECOND) - SECOND
    block = {
        "time": instant.text(start),
        "step_s": STEP_S,
        "active": [True] * (2 * flips),
        "pressure_bar": [IMPOSSIBLE_BAR, 120.0] * flips,
    }
    with Sender(site.broker) as sender:
        sender.send(block)
    return Done(sender.sent, notes={"flips": flips})


ATTACKS = (
    Attack("flips", "2,000 flips of a loose plug", partial(flips, count=2_000), 0.5, frozenset({"alert"})),
    Attack(
        "flips-12000",
        "12,000 flips of a loose plug",
        partial(flips, count=12_000),
        None,
        frozenset({"alert"}),
    ),
)
