"""A loose plug: readings that jump between possible and impossible with every row."""

import time
from functools import partial

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from tests.long.attacks.attack import Attack, Done
from tests.long.attacks.sender import Sender
from tests.long.attacks.shipped import ATTACKER
from tests.long.attacks.site import Site, settled

STEP_S = 0.001
IMPOSSIBLE_BAR = 5000.0
COMMIT_S = 60.0
MOST_ALERTS = 20
"""Of one fault of one hammer, in less than a minute."""


def flips(site: Site, scale: float, count: int) -> Done:
    """All in one block, which the broker delivers at once."""
    flips = round(count * scale)
    start = time.time_ns() - round(2 * flips * STEP_S * SECOND) - SECOND
    start -= start % 1000  # the text of an instant has microseconds
    block = {
        "time": instant.text(start),
        "step_s": STEP_S,
        "active": [True] * (2 * flips),
        "pressure_bar": [IMPOSSIBLE_BAR, 120.0] * flips,
    }
    with Sender(site.broker) as sender:
        sender.send(block)
    last = start + round((2 * flips - 1) * STEP_S * SECOND)
    committed = settled(lambda: site.worked_through(ATTACKER) >= last, COMMIT_S)
    ((alerts,),) = site.processor.query(
        f"select count(*) from alerts where hammer = '{ATTACKER}' and fault = 'sensor_fault' and onset_ns >= {start}"
    )
    done = Done(sender.sent, notes={"flips": flips, "alerts": alerts})
    done.expect(committed, f"they were not committed within {COMMIT_S:g} s")
    done.expect(0 < alerts <= MOST_ALERTS, f"they became {alerts:,} alerts, and not one with a count")
    return done


ATTACKS = (
    Attack("flips", "2,000 flips of a loose plug", partial(flips, count=2_000), 0.5),
    Attack("flips-12000", "12,000 flips of a loose plug", partial(flips, count=12_000)),
)
