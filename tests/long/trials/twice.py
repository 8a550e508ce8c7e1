"""Messages that come again: kept by the broker as retained, sent twice by the gateway, delivered again after takeovers.

A rival with our client id takes the session, is given messages that we had not yet acknowledged, acknowledges none and
goes; the broker then sends them to us once more. In the end we come under a new name and get all that is retained.
"""

import contextlib
import random
import time
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.broker import Broker
from tests.long.trials.delivery_check import COMPARED_FIELDS
from tests.long.trials.kills import (
    CLOSING,
    HAMMERS,
    PER_S,
    PER_WORK_S,
    REORDER_S,
    event_messages,
    interleave,
    replayed,
    work,
)
from tests.long.trials.trial import Line, broken
from tests.service.processor import Gateway, Processor, until

NAME = "strikewatch"
TAKEOVER_S = 1.0
SESSION_FAULTS = ("session_lost", "client_id_in_use")
TWICE = 0.2
"""The part of the messages that the gateway sends again, up to `BACK` messages later."""
BACK = 20


def twice(folder: Path, takeovers: int) -> Line:
    """Take over the session every second while the gateway publishes."""
    rows, events = work(5, max(80, round(takeovers * TAKEOVER_S * PER_S / PER_WORK_S)))
    queue = interleave(rows)
    dice = random.Random(5)
    with Broker(folder) as broker:
        mine = {"client_id": NAME, "takeover_limit": 1_000_000, "reconnect_max_s": 1.0}
        processor = Processor(
            folder / "processor", broker, mqtt=mine, intake={"reorder_s": REORDER_S}
        ).start()
        gateway = Gateway(broker)
        taken = 0
        with gateway, processor:
            for hammer, event in event_messages(events):
                gateway.send(hammer, "events", event, retain=True)
            begin = time.monotonic()
            for k, (hammer, samples) in enumerate(queue):
                gateway.send(hammer, "samples", samples, retain=True)
                if dice.random() < TWICE:
                    again, payload = queue[max(0, k - dice.randrange(BACK))]
                    gateway.send(again, "samples", payload)
                time.sleep(max(0.0, begin + k / PER_S - time.monotonic()))
                if time.monotonic() - begin > (taken + 1) * TAKEOVER_S:
                    taken += 1
                    rival(broker)
            for at in CLOSING:
                for hammer in HAMMERS:
                    time_ms = (int(rows[hammer].time_ns[-2]) + at) // 10**6
                    gateway.send(hammer, "samples", {"time_ms": time_ms}, retain=True)
                gateway.settle()
            for hammer in HAMMERS:
                processor.wait_until_processed(hammer, int(rows[hammer].time_ns[-1]))
            # as the broker tells it: the processor may be back before it looks
            lost = broker.log.count(f"Client {NAME} already connected, closing old connection")
            assert processor.stop() == 0
            before, unused = processor.alerts(), _unused(processor)
            under_another_name(processor)
            until(lambda: _unused(processor) - unused >= len(HAMMERS))
            assert processor.stop() == 0
            after = processor.alerts()
    # the sessions that were taken are alerts of the processor's own
    before, after = (
        [one for one in alerts if one["fault"] not in SESSION_FAULTS] for alerts in (before, after)
    )
    wanted, found = replayed(rows, events), {one["id"]: one for one in after}
    return Line(
        f"{taken} takeovers, every message retained, {TWICE:.0%} sent twice, then a session of another name",
        {
            "messages": len(queue),
            "connections_lost": lost,
            "alerts": len(wanted),
            "rows_dropped": unused,
            "retained_dropped": _unused(processor) - unused,
        },
        broken(
            alerts_missing=len(wanted.keys() - found.keys()),
            alerts_unexpected=len(found.keys() - wanted.keys()),
            alerts_different=sum(
                any(found[one][name] != wanted[one][name] for name in COMPARED_FIELDS)
                for one in found.keys() & wanted.keys()
            ),
            no_duplicate_came=unused == 0,
            no_takeover=taken == 0 or lost == 0,
            retained_changed_something=before != after,
        ),
    )


def rival(broker: Broker) -> None:
    """Take over the session, receive messages, acknowledge nothing, and drop the connection."""
    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        client_id=NAME,
        protocol=MQTTProtocolVersion.MQTTv5,
        manual_ack=True,
        reconnect_on_failure=False,
    )
    kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
    kept.SessionExpiryInterval = 3600
    client.connect(broker.host, broker.port, clean_start=False, properties=kept)
    until = time.monotonic() + 0.1
    while time.monotonic() < until:
        client.loop(0.02)
    with contextlib.suppress(AttributeError):  # already taken over in turn
        client.socket().close()  # type: ignore[union-attr]  # likewise


def under_another_name(processor: Processor) -> None:
    """Start with a new client id, to which the broker sends all retained messages."""
    path = processor.folder / "settings.toml"
    path.write_text(path.read_text().replace(f'client_id = "{NAME}"', f'client_id = "{NAME}-2"'))
    processor.start()


def _unused(processor: Processor) -> int:
    ((n,),) = processor.query("select coalesce(sum(n), 0) from reject_counts")
    return int(n)
