"""Attacks by the data of one hammer: a loose plug, events without samples, a fatal message, a backlog."""

import math
import time
from functools import partial

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from tests.long.attacks.attack import Attack, AttackReport
from tests.long.attacks.honest import SITE
from tests.long.attacks.poisoned import MARK
from tests.long.attacks.shipped import ATTACKER, HEATING, HOLDING, LATE, Sender
from tests.long.attacks.site import Site, wait_until

STEP_S = 0.001
IMPOSSIBLE_BAR = 5000.0
COMMIT_S = 60.0
MOST_ALERTS = 20
"""Of one fault of one hammer, in less than a minute."""


def flips(site: Site, scale: float, count: int) -> AttackReport:
    """Send readings that alternate between possible and impossible, all in one block."""
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
    committed = wait_until(lambda: site.worked_through(ATTACKER) >= last, COMMIT_S)
    ((alerts,),) = site.processor.query(
        f"select count(*) from alerts where hammer = '{ATTACKER}' and fault = 'sensor_fault' "
        f"and (onset_ns >= {start} or coalesce(cleared_ns, {last}) >= {start})"  # or one that has not ended yet
    )
    done = AttackReport(sender.sent, notes={"flips": flips, "alerts": alerts})
    done.expect(committed, f"they were not committed within {COMMIT_S:g} s")
    done.expect(0 < alerts <= MOST_ALERTS, f"they became {alerts:,} alerts, and not one with a count")
    return done


EVENTS = 12_541
MORE_CPU_S = 3.0
"""A restart with them may take so much more processor time than one without."""


def pending(site: Site, scale: float) -> AttackReport:
    """Send events of a hammer without samples, then restart; compare with a restart without them."""
    events = round(EVENTS * scale)
    start = time.time_ns() - events * SECOND
    before = _known(site)
    with Sender(site.broker) as sender:
        for n in range(events):
            # From both ends inwards, so that they come in no order.
            at = instant.text(start + (n // 2 if n % 2 else events - n // 2) * SECOND)
            sender.send({"time": at, "event": "sign_on", "operator": f"op-{11 + n % 8}"}, "events")
    came = wait_until(lambda: _known(site) - before >= events, 60.0, 0.5)
    restart_s = site.processor.restart(180.0)
    cpu_s, plain_cpu_s = site.processor.start_cpu_s, site.plain_restart_cpu_s
    done = AttackReport(
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
    """Return the number of events that are stored or rejected."""
    ((n,),) = site.processor.query("select count(*) from events")
    return int(n) + sum(site.rejects().values())


DEATHS = 2
"""On its third delivery it is set aside."""


def poison(site: Site, scale: float) -> AttackReport:
    """Send one message that kills the process whenever it is decoded."""
    del scale
    before = sum(site.rejects().values())
    with Sender(site.broker) as sender:
        at = instant.text(time.time_ns() // 10**6 * 10**6)
        sender.send({"time": at, "event": "sign_on", "operator": MARK}, "events")
    done = AttackReport(sender.sent)
    done.expect(
        wait_until(lambda: sum(site.rejects().values()) > before, 60.0), "it was not set aside within 60 s"
    )
    return done


HOURS = 8.0
RATE_HZ = 5


def backlog(site: Site, scale: float) -> AttackReport:
    """Send the backlog of a gateway, one message a second; all of it must be used."""
    seconds = round(HOURS * 3600 * scale)
    start = (time.time_ns() // SECOND - seconds - 10) * SECOND
    before = site.rejects()
    with Sender(site.broker, f"{SITE}/{LATE}") as sender:
        for k in range(seconds):
            fires = [(5 * k + i) // 50 % 3 < 2 for i in range(RATE_HZ)]
            pressure = [round(120 + 10 * math.sin(k + i), 1) if on else 20.0 for i, on in enumerate(fires)]
            block = {"time": instant.text(start + k * SECOND), "step_s": 1 / RATE_HZ, "active": fires}
            sender.send({**block, "pressure_bar": pressure, "oil_c": 55 + k % 7}, hammer=LATE)
    done = AttackReport(sender.sent, notes={"hours": HOURS * scale})
    upto = start + (seconds - 60) * SECOND
    done.expect(
        wait_until(lambda: site.worked_through(LATE) >= upto, 120.0, 0.5),
        "it was not worked through in 120 s",
    )
    refused = site.rejects() - before
    refused.pop("duplicate", None)
    done.expect(not refused, f"{sum(refused.values()):,} rows or messages of it were not used")
    return done


ALERTS = 10_000
HEATING_S = (90.0, 90.0, 90.0, 70.0)
"""Oil temperatures 3 s apart: long enough for an alert each time, which no rule forbids."""


def many_alerts(site: Site, scale: float) -> AttackReport:
    """Send a day and a half of rows in which the oil is hot and cool in turns, in one message."""
    rows = len(HEATING_S) * round(ALERTS * scale)
    start = (time.time_ns() // SECOND - 3 * rows - 10) * SECOND
    block = {"time": instant.text(start), "step_s": 3.0, "active": [True] * rows}
    block["oil_c"] = [HEATING_S[k % len(HEATING_S)] for k in range(rows)]
    with Sender(site.broker, f"{SITE}/{HEATING}") as sender:
        sender.send(block, hammer=HEATING)
    done = AttackReport(sender.sent)
    upto = start + 3 * (rows - 1) * SECOND
    done.expect(
        wait_until(lambda: site.worked_through(HEATING) >= upto, 120.0, 0.5),
        "it was not worked through in 120 s",
    )
    ((alerts,),) = site.processor.query(f"select count(*) from alerts where hammer = '{HEATING}'")
    done.notes["alerts"] = alerts
    done.expect(alerts >= round(ALERTS * scale), "not each heating became an alert")
    return done


DAYS = 250
DAY = 86_400 * SECOND


def held(site: Site, scale: float) -> AttackReport:
    """Send a few bytes a day, each valid for a day: 86,400 rows each."""
    days = max(round(DAYS * scale), 3)
    start = (time.time_ns() // SECOND - 60) * SECOND - days * DAY
    limits_s = {"active": 86_400, "oil_c": 86_400, "pressure_bar": 86_400}
    with Sender(site.broker, f"{SITE}/{HOLDING}") as sender:
        for day in range(1, days + 1):
            row = {
                "time": instant.text(start + day * DAY),
                "active": False,
                "oil_c": 50,
                "pressure_bar": 20.0,
            }
            sender.send({**row, "hold_s": limits_s}, hammer=HOLDING)
    done = AttackReport(sender.sent, notes={"days": days})
    upto = start + (days - 1) * DAY
    done.expect(
        wait_until(lambda: site.worked_through(HOLDING) >= upto, 120.0, 0.5),
        "it was not worked through in 120 s",
    )
    return done


ATTACKS = (
    Attack("flips", "2,000 flips of a loose plug", partial(flips, count=2_000), 0.5),
    Attack("flips-12000", "12,000 flips of a loose plug", partial(flips, count=12_000)),
    Attack("many-alerts", "10,000 alerts in a message of 0.5 MB", many_alerts, 0.1),
    Attack("pending", "12,541 events of a hammer without samples, then a restart", pending, 0.1),
    Attack(
        "poison",
        "a message that ends the process whenever it is read",
        poison,
        reports_to=frozenset({"log"}),
        program="tests.long.attacks.poisoned",
        deaths=DEATHS,
    ),
    Attack("held", "250 messages a day apart, each of which holds values for a day", held),
    Attack("backlog", "8 h kept by a gateway, as fast as it can send", backlog, 0.1),
)
