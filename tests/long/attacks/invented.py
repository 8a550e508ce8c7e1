"""One sender that invents sites and hammers, with an account that may send for all of them."""

import json
import time

from strikewatch.core import instant
from tests.long.attacks.attack import Attack, AttackReport
from tests.long.attacks.honest import SITE
from tests.long.attacks.shipped import COLLECTOR, NEW, Sender
from tests.long.attacks.site import Site, wait_until

HAMMERS = 10_000
SITES = 1_000
RETAINED = 5_000


def _sample() -> bytes:
    at = instant.text(time.time_ns() // 10**6 * 10**6)
    return json.dumps({"time": at, "active": True, "pressure_bar": 120.0, "oil_c": 50.0}).encode()


def _hammers(site: Site) -> int:
    ((n,),) = site.processor.query("select count(*) from hammer_state")
    return int(n)


def invented(site: Site, scale: float) -> AttackReport:
    """Send a sample of each invented hammer; the number that is kept must be bounded."""
    hammers, sites = round(HAMMERS * scale), round(SITES * scale)
    before = _hammers(site) + sum(site.rejects().values())
    with Sender(site.broker, COLLECTOR) as sender:
        for n in range(hammers):
            sender.publish(f"strikewatch/site-{n % sites:04d}/HB-{n:05d}/samples", _sample())
    wait_until(lambda: _hammers(site) + sum(site.rejects().values()) - before >= hammers, 60.0, 0.5)
    began = time.monotonic()
    status, body = site.get("/")
    done = AttackReport(
        sender.sent,
        notes={
            "hammers kept": _hammers(site),
            "metrics bytes": len(site.get("/metrics")[1]),
            "page bytes": len(body),
            "page s": time.monotonic() - began,
        },
    )
    done.expect(status == 200, f"the page answers {status}")
    at = instant.text(time.time_ns() // 10**6 * 10**6)
    with Sender(site.broker, f"{SITE}/{NEW}") as sender:
        sender.send({"time": at, "event": "sign_on", "operator": "op-11"}, "events", NEW)
    known = f"select count(*) from events where hammer = '{NEW}'"
    done.expect(
        wait_until(lambda: site.processor.query(known) == [(1,)], 30.0),
        "a new hammer of the honest site was refused",
    )
    done.expect(_hammers(site) < hammers, f"all {hammers:,} invented hammers were taken on")
    return done


def retained(site: Site, scale: float) -> AttackReport:
    """Publish retained messages under invented topics, which arrive whenever the processor subscribes."""
    topics = [f"strikewatch/site-{n % 100:04d}/HB-{n:05d}/samples" for n in range(round(RETAINED * scale))]
    began = time.monotonic()
    site.processor.stop()
    with Sender(site.broker, COLLECTOR) as sender:
        for topic in topics:
            sender.publish(topic, _sample(), retain=True)
    start_s = site.processor.start_again(began)
    again_s = site.processor.restart()
    return AttackReport(
        sender.sent, notes={"start s": start_s, "second start s": again_s, "hammers kept": _hammers(site)}
    )


ATTACKS = (
    Attack(
        "invented", "10,000 hammers at 1,000 sites that do not exist", invented, 0.3, frozenset({"rejects"})
    ),
    Attack("retained", "5,000 retained messages, then two restarts", retained, 0.1),
)
