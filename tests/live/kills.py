"""Killed at random under load: `python -m tests.live.kills --kills 50 --broker-restarts 10`.

A gateway with 20 messages in flight publishes four hammers' work while `strikewatch run` is killed with -9 and started
again and again, and the broker restarted in between. At the end every alert equals an uninterrupted replay of the same
input: none missing, none twice, in the store as at the webhook. With `--storms` alerts are told in digests too, and one
that a digest lists is delivered.
"""

import argparse
import random
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from strikewatch.deliver.target import key_of
from strikewatch.hosts.replay import replay_shifts
from strikewatch.model.batch import Rows
from strikewatch.model.events import Event
from strikewatch.model.instant import SECOND
from strikewatch.settings import Faults
from tests.broker import Broker
from tests.core.recorded import MemoryShift
from tests.live.processor import NO_STORMS, SECRET, SITE, Gateway, Processor, messages, now_ns, until
from tests.receiver import Receiver

HAMMERS = ("HB-01", "HB-02", "HB-03", "HB-04")
REORDER_S = 20.0
"""Event time runs some sixty times as fast as the clock here, so stragglers lie that much further apart."""
CLOSING = (300 * SECOND, 325 * SECOND)
"""Two last rows: the second lets the first pass."""
SOON: dict[str, Any] = {"digest_settle_s": 1.0, "digest_every_s": 3.0}
"""Settings of `alarms` with storms as usual, but digests so often that they go out amid the kills."""


class Outcome(NamedTuple):
    kills: int
    broker_restarts: int
    messages: int
    alerts: int
    missing: int
    unexpected: int
    different: int
    deliveries: int
    in_digests: int
    delivered_under_two_names: int
    undelivered: int


def work(seed: int, seconds: int) -> tuple[dict[str, Rows], dict[str, list[Event]]]:
    """Bouts of firing with oil about its limit, at 5 Hz, and who was there and greased."""
    start = now_ns() - 24 * 3600 * SECOND
    rows: dict[str, Rows] = {}
    events: dict[str, list[Event]] = {}
    for number, hammer in enumerate(HAMMERS):
        rng = np.random.default_rng([seed, number])
        n = seconds * 5
        time_ns = start + np.arange(n, dtype=np.int64) * (SECOND // 5)
        active = np.zeros(n)
        i = 0
        while i < n:
            bout = int(rng.integers(10, 200))
            active[i : i + bout] = 1.0
            i += bout + int(rng.choice([3, 9, 10, 11, 40]))
        oil = 79.0 + 3.0 * np.sin(np.arange(n) / 700.0) + rng.normal(0, 0.1, n).round(1)
        pressure = np.where(active > 0, 150.0, 20.0) + rng.normal(0, 3, n).round(1)
        last = time_ns[-1]
        time_ns = np.append(time_ns, [last + CLOSING[0]])
        columns = {"active": active, "pressure_bar": pressure, "oil_c": oil}
        rows[hammer] = Rows(time_ns, {name: np.append(c, [np.nan]) for name, c in columns.items()})
        events[hammer] = [
            Event(SITE, hammer, "sign_on", int(time_ns[0]), {"operator": f"op-{11 + number}"}),
            Event(
                SITE,
                hammer,
                "grease",
                int(time_ns[n // 2]) + 7_000_000,
                {"strokes": [12, int(rng.integers(5, 12))]},
            ),
        ]
    return rows, events


def run(
    folder: Path,
    kills: int,
    broker_restarts: int,
    seed: int,
    seconds: int,
    storms: bool = False,
    **tables: dict[str, Any],
) -> Outcome:
    """`tables` are settings of the processor beside the usual."""
    dice = random.Random(seed)
    rows, events = work(seed, seconds)
    queue: list[tuple[int, str, str, Any]] = []
    for hammer in HAMMERS:
        size = dice.choice((1, 5, 10))
        for group in messages(rows[hammer][:-1], size):
            queue.append((len(queue), hammer, "samples", group))
    queue = [one for parts in zip(*_dealt(queue), strict=False) for one in parts if one is not None]
    with Broker(folder / "broker") as broker, Receiver(key_of(SECRET)) as receiver:
        processor = Processor(
            folder / "processor",
            broker,
            receiver.url,
            intake={"reorder_s": REORDER_S},
            alarms=SOON if storms else NO_STORMS,
            **tables,
        ).start()
        gateway = Gateway(broker)
        for hammer in HAMMERS:
            for event in events[hammer]:
                gateway.send(
                    hammer, "events", {"time_ms": event.time // 10**6, "event": event.kind, **event.fields}
                )
        gateway.settle()
        done = threading.Event()
        pace = (kills * 2.2 + 3.0) / len(queue)
        publisher = threading.Thread(target=_publish, args=(gateway, queue, pace, done))
        publisher.start()
        try:
            restarts = set(dice.sample(range(kills), broker_restarts))
            for kill in range(kills):
                time.sleep(dice.uniform(0.1, 1.2))
                processor.kill()
                if kill in restarts:
                    broker.restart()
                processor.start()
            publisher.join()
            for at in CLOSING:
                for hammer in HAMMERS:
                    last = int(rows[hammer].time_ns[-2])
                    gateway.send(hammer, "samples", {"time_ms": (last + at) // 10**6})
                gateway.settle()
            for hammer in HAMMERS:
                processor.worked_through(hammer, int(rows[hammer].time_ns[-1]))
            until(lambda: processor.query("select count(*) from handling where held") == [(0,)])
            until(lambda: processor.query("select count(*) from outbox where state = 'waiting'") == [(0,)])
            assert processor.stop() == 0
        finally:
            done.set()
            publisher.join()
            processor.end()
            gateway.close()
        return _compared(
            processor, receiver, rows, events, Outcome(kills, broker_restarts, len(queue), *([0] * 8))
        )


def _dealt(queue: list[tuple[int, str, str, Any]]) -> list[list[tuple[int, str, str, Any] | None]]:
    """The hammers' messages side by side, each spread over the whole time."""
    by_hammer = [[one for one in queue if one[1] == hammer] for hammer in HAMMERS]
    longest = max(map(len, by_hammer))
    spread = []
    for own in by_hammer:
        places: list[tuple[int, str, str, Any] | None] = [None] * longest
        for k, one in enumerate(own):
            places[k * longest // len(own)] = one
        spread.append(places)
    return spread


def _publish(gateway: Gateway, queue: list[Any], pace_s: float, done: threading.Event) -> None:
    begin = time.monotonic()
    for k, (_, hammer, kind, payload) in enumerate(queue):
        gateway.send(hammer, kind, payload)
        ahead = begin + k * pace_s - time.monotonic()
        if ahead > 0.01 and done.wait(ahead):
            return


def _compared(
    processor: Processor,
    receiver: Receiver,
    rows: dict[str, Rows],
    events: dict[str, list[Event]],
    outcome: Outcome,
) -> Outcome:
    faults = Faults().by_detector()
    whole = [
        Event(e.site, e.hammer, e.kind, e.time // 10**6 * 10**6, e.fields)
        for es in events.values()
        for e in es
    ]
    by_hammer = {hammer: [e for e in whole if e.hammer == hammer] for hammer in HAMMERS}
    expected = {
        r["id"]: r for r in replay_shifts([MemoryShift(rows, by_hammer)], lambda _key: faults).records
    }
    found = {record["id"]: record for record in processor.alerts()}
    same = ("fault", "hammer", "operator", "priority", "onset", "cleared")
    names: dict[tuple[str, str], set[str]] = {}
    for one in receiver.received:
        if one.event is not None and one.status == 200:
            for what in _told(one.event):
                names.setdefault(what, set()).add(one.name)
    raised = {alert for alert, kind in names if kind == "raised"}
    listed = {alert for alert, kind in names if kind.startswith("listed")}
    return outcome._replace(
        alerts=len(expected),
        missing=len(expected.keys() - found.keys()),
        unexpected=len(found.keys() - expected.keys()),
        different=sum(
            [found[i][name] for name in same] != [expected[i][name] for name in same]
            for i in expected.keys() & found.keys()
        ),
        deliveries=len(receiver.received),
        in_digests=len(listed),
        delivered_under_two_names=sum(len(one) > 1 for one in names.values()),
        undelivered=len(expected.keys() - raised - listed),
    )


def _told(event: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """(id, what is told of it): each of them once, under one name."""
    data, kind = event["data"], event["type"].rsplit(".", 1)[-1]
    if kind != "digest":
        yield data["id"], kind
        return
    yield data["id"], f"digest {data['number']}"
    for record in data["alerts"]:
        yield record["id"], "listed as standing" if record["cleared"] is None else "listed as over"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--broker-restarts", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=int, default=3600, help="of work, by the hammers' clocks")
    parser.add_argument("--storms", action="store_true", help="tell in digests what comes in storms")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        outcome = run(
            Path(folder),
            options.kills,
            options.broker_restarts,
            options.seed,
            options.seconds,
            options.storms,
        )
    for name, value in Counter(outcome._asdict()).items():
        print(f"{name.replace('_', ' '):<28}{value:>8}")


if __name__ == "__main__":
    main()
