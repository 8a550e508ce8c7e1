"""Events of a hammer of which no sample ever came: they wait for one, through every restart."""

import time

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from tests.long.attacks.attack import Attack, Done
from tests.long.attacks.sender import Sender
from tests.long.attacks.site import Site, settled

EVENTS = 12_541
MORE_CPU_S = 3.0
"""A restart with them may take so much more processor time than one without."""


def pending(site: Site, scale: float) -> Done:
    """All of them, then a restart, compared with one without."""
    events = round(EVENTS * scale)
    start = time.time_ns() - events * SECOND
    before = _known(site)
    with Sender(site.broker) as sender:
        for n in range(events):
            # From both ends inwards, so that they come in no order.
            at = instant.text(start + (n // 2 if n % 2 else events - n // 2) * SECOND)
            sender.send({"time": at, "event": "sign_on", "operator": f"op-{11 + n % 8}"}, "events")
    came = settled(lambda: _known(site) - before >= events, 60.0, 0.5)
    restart_s = site.processor.restart(180.0)
    cpu_s, plain_cpu_s = site.processor.start_cpu_s, site.plain_restart_cpu_s
    done = Done(
        sender.sent,
        notes={
            "restart s": restart_s,
            "of processor time": cpu_s,
            "without them s": site.plain_restart_s,
            "of processor time without them": plain_cpu_s,
        },
    )
    done.expect(
        came, f"{events - _known(site) + before:,} events were neither stored nor rejected within 60 s"
    )
    more = f"a restart took {cpu_s:.1f} s of processor time, {plain_cpu_s:.1f} s without the events"
    done.expect(cpu_s <= plain_cpu_s + MORE_CPU_S, more)
    return done


def _known(site: Site) -> int:
    """Events of any hammer that are stored, or rejected."""
    ((n,),) = site.processor.query("select count(*) from events")
    return int(n) + sum(site.rejects().values())


ATTACKS = (Attack("pending", "12,541 events of a hammer without samples, then a restart", pending, 0.1),)
