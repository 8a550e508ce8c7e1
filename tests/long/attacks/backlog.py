"""What a gateway without network kept for a shift, sent as fast as it can. No attack, but it must not act like one."""

import math
import time

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from tests.long.attacks.attack import Attack, Done
from tests.long.attacks.honest import SITE
from tests.long.attacks.sender import Sender
from tests.long.attacks.shipped import LATE
from tests.long.attacks.site import Site, settled

HOURS = 8.0
RATE_HZ = 5


def backlog(site: Site, scale: float) -> Done:
    """One message a second of the time; all of it must be used."""
    seconds = round(HOURS * 3600 * scale)
    start = (time.time_ns() // SECOND - seconds - 10) * SECOND
    before = site.rejects()
    with Sender(site.broker, f"{SITE}/{LATE}") as sender:
        for k in range(seconds):
            fires = [(5 * k + i) // 50 % 3 < 2 for i in range(RATE_HZ)]
            pressure = [round(120 + 10 * math.sin(k + i), 1) if on else 20.0 for i, on in enumerate(fires)]
            block = {"time": instant.text(start + k * SECOND), "step_s": 1 / RATE_HZ, "active": fires}
            sender.send({**block, "pressure_bar": pressure, "oil_c": 55 + k % 7}, hammer=LATE)
    done = Done(sender.sent, notes={"hours": HOURS * scale})
    upto = start + (seconds - 60) * SECOND
    done.expect(
        settled(lambda: site.worked_through(LATE) >= upto, 120.0, 0.5), "it was not worked through in 120 s"
    )
    refused = site.rejects() - before
    refused.pop("duplicate", None)
    done.expect(not refused, f"{sum(refused.values()):,} rows or messages of it were not used")
    return done


ATTACKS = (Attack("backlog", "8 h kept by a gateway, as fast as it can send", backlog, 0.1),)
