"""Taking over the processor's session at the broker, with nothing but a gateway's password.

MQTT 5, 3.1.4: a client that connects with an id in use ends the other connection; with a clean start it also ends the
session, and what was queued in it is gone.
"""

import time

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.long.attacks.attack import Attack, AttackReport
from tests.long.attacks.honest import SITE
from tests.long.attacks.shipped import ATTACKER, PASSWORD
from tests.long.attacks.site import Site, wait_until

GUESSED = "strikewatch"
"""The default id of the first releases."""
QUEUED_S = 4.0
TAKEOVERS = 12
ALERT_S = 10.0
"""Within which a lost session must have raised an alert."""


def take_over(site: Site, client_id: str) -> None:
    """Connect once with the client id and a clean start at each listener that accepts the password."""
    for port in {site.broker.port, site.broker.processor_port}:
        thief = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5
        )
        thief.username_pw_set(f"{SITE}/{ATTACKER}", PASSWORD)
        answered: list[bool] = []
        thief.on_connect = lambda _c, _d, _f, code, _p, answered=answered: answered.append(
            not code.is_failure
        )
        thief.connect(site.broker.host, port, clean_start=True)
        deadline = time.monotonic() + 5
        while not answered and time.monotonic() < deadline:
            thief.loop(0.05)
        thief.disconnect()
        thief.loop(0.05)


def _take_over_while_stopped(site: Site, client_id: str) -> AttackReport:
    """Take over while the processor restarts and its messages wait at the broker."""
    began = time.monotonic()
    site.processor.stop()
    time.sleep(QUEUED_S / 2)
    take_over(site, client_id)
    time.sleep(QUEUED_S / 2)
    done = AttackReport(notes={"restart s": site.processor.start_again(began)})
    resumed = site.processor.lines("broker_connected")[-1]["resumed"]
    done.notes["session"] = "resumed" if resumed else "lost"
    if not resumed:
        reported = wait_until(lambda: any("raised" in what for what in site.witness.others(began)), ALERT_S)
        done.expect(reported, "the session was lost, and no alert reports it")
    return done


def _take_over_repeatedly(site: Site, client_id: str, times: int) -> AttackReport:
    for _ in range(times):
        take_over(site, client_id)
        time.sleep(0.3)
    return AttackReport(notes={"takeovers tried": times})


def queue(site: Site, scale: float) -> AttackReport:
    del scale
    return _take_over_while_stopped(site, GUESSED)


def queue_known(site: Site, scale: float) -> AttackReport:
    del scale
    return _take_over_while_stopped(site, site.broker.client_id())


def repeated(site: Site, scale: float) -> AttackReport:
    return _take_over_repeatedly(site, GUESSED, round(TAKEOVERS * scale))


def repeated_known(site: Site, scale: float) -> AttackReport:
    return _take_over_repeatedly(site, site.broker.client_id(), round(TAKEOVERS * scale))


ATTACKS = (
    Attack("takeover-queue", "a clean start under the default client id empties the queue", queue, 1.0),
    Attack("takeover-known", "the same by somebody who knows the processor's client id", queue_known),
    Attack("takeovers", "the default client id taken again and again", repeated, 0.5),
    Attack("takeovers-known", "the processor's client id taken again and again", repeated_known),
)
