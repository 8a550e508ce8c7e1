"""Endpoints beside the foreman's whose receivers misbehave."""

import time

from tests.long.attacks.attack import Attack, AttackReport
from tests.long.attacks.site import Site

WATCHED_S = 40.0
"""Longer than one attempt at an endpoint may take."""


def endless(site: Site, scale: float) -> AttackReport:
    """Send every alert to receivers that misbehave."""
    time.sleep(WATCHED_S * scale)
    sql = "select endpoint, count(*), max(attempts) from outbox where endpoint != 'office' group by endpoint"
    tried = {name: most for name, _n, most in site.processor.query(sql)}
    done = AttackReport(notes={f"attempts at {name}": n for name, n in sorted(tried.items())})
    ((delivered,),) = site.processor.query(
        "select count(*) from outbox where endpoint != 'office' and state = 'waiting' and attempts > 0"
    )
    done.notes["waiting for another attempt"] = delivered
    return done


ATTACKS = (
    Attack(
        "endless-webhook",
        "receivers that send headers or a body for ever, drip, or never answer",
        endless,
        receivers=("headers", "body", "drip", "silent"),
    ),
)
