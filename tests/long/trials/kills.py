"""Killed at random under load, while the broker is restarted and the webhook's receiver is away.

A gateway with 20 messages in flight publishes four hammers' work while `strikewatch run` is killed with -9 and started
again and again, at times before it has found the broker. In the end the alerts must be those of an uninterrupted replay
of the same input, in the store as at the webhook, each step sent in order and under one id. An alert that a gap has
cleared too early is raised again.
"""

import random
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from strikewatch.core.batch import Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.service.recorded.replay import replay_shifts
from strikewatch.settings.faults import Faults
from strikewatch.sinks.settings import decode_secret
from tests.broker import Broker
from tests.detectors.recorded import MemoryShift
from tests.long.trials.delivery_check import COMPARED_FIELDS, DeliveryCheck, check_deliveries
from tests.long.trials.trial import Figures, Line, Part, Trial, broken
from tests.postgresql import Postgresql
from tests.receiver import Answer, Receiver
from tests.service.processor import NO_STORMS, SECRET, SITE, Gateway, Processor, messages, now_ns, until

PER_S = 300
"""Messages a second."""
PER_WORK_S = 13.5
"""Messages that a second of work makes."""
PER_KILL_S = 2.5
"""How long a start and the time to the next kill take, about."""
KILLS_PER_SITE = 50
SIZES = (1, 1, 2, 5)
"""Rows in a message, by hammer."""
RETRY_S = (0.2, 0.2, 0.5, *[1.0] * 200)
HAMMERS = ("HB-01", "HB-02", "HB-03", "HB-04")
REORDER_S = 20.0
"""Event time runs some sixty times as fast as the clock here, so stragglers lie that much further apart."""
CLOSING = (300 * SECOND, 325 * SECOND)
"""Two last rows: the second lets the first pass."""
SOON: dict[str, Any] = {"digest_settle_s": 1.0, "digest_every_s": 3.0}
"""Settings of `alarms` with storms as usual, but digests so often that they go out amid the kills."""
SEEN_S = 10.0
"""A receiver away for longer must have been asked in vain; for less, chance may have it that nothing was due."""


class Disturbance(NamedTuple):
    """The disturbances of a trial: kills, broker restarts, and how long the receiver does not answer."""

    kills: int
    broker_restarts: int
    outage_s: float


class Outcome(NamedTuple):
    """`late_kills`: made when all messages had been published already."""

    late_kills: int
    messages: int
    per_s: float
    alerts: int
    missing: int
    unexpected: int
    different: int
    sent: DeliveryCheck


Queued = tuple[str, list[dict[str, Any]]]
"""(hammer, samples)"""


def work(seed: int, seconds: int) -> tuple[dict[str, Rows], dict[str, list[Event]]]:
    """Return bouts of firing at 5 Hz with the oil near its limit, and events: sign-ons and greasing."""
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
    folder: Path, bad: Disturbance, seed: int, *, storms: bool = False, **tables: dict[str, Any]
) -> Outcome:
    """`storms`: alerts are sent in digests too; `tables` are settings of the processor beside the usual."""
    dice = random.Random(seed)
    span_s = bad.kills * PER_KILL_S + 3.0
    rows, events = work(seed, round(span_s * PER_S / PER_WORK_S))
    queue = interleave(rows)
    with Broker(folder / "broker") as broker, Receiver(decode_secret(SECRET)) as receiver:
        processor = Processor(
            folder / "processor",
            broker,
            receiver.url,
            retry_s=RETRY_S,
            intake={"reorder_s": REORDER_S},
            alarms=SOON if storms else NO_STORMS,
            **tables,
        ).start()
        gateway = Gateway(broker)
        for hammer, event in event_messages(events):
            gateway.send(hammer, "events", event)
        gateway.settle()
        done = threading.Event()
        publisher = Publisher(gateway, queue, done)
        away = threading.Thread(target=_make_unavailable, args=(receiver, span_s / 4, bad.outage_s, done))
        publisher.start()
        away.start()
        late_kills = 0
        try:
            restarts = set(dice.sample(range(bad.kills), bad.broker_restarts))
            for kill in range(bad.kills):
                time.sleep(dice.uniform(0.1, 1.2))
                late_kills += not publisher.is_alive()
                processor.kill()
                if kill in restarts:
                    broker.restart()
                processor.start(connected=dice.random() < 0.8 or kill == bad.kills - 1)
            publisher.join()
            away.join()
            for at in CLOSING:
                for hammer in HAMMERS:
                    last = int(rows[hammer].time_ns[-2])
                    gateway.send(hammer, "samples", {"time_ms": (last + at) // 10**6})
                gateway.settle()
            for hammer in HAMMERS:
                processor.wait_until_processed(hammer, int(rows[hammer].time_ns[-1]))
            until(lambda: processor.query("select count(*) from handling where held") == [(0,)])
            until(lambda: processor.query("select count(*) from outbox where state = 'waiting'") == [(0,)])
            assert processor.stop() == 0
        finally:
            done.set()
            publisher.join()
            away.join()
            processor.end()
            gateway.close()
        return _compared(processor, receiver, rows, events, publisher, late_kills)


class Publisher(threading.Thread):
    """Publishes at a fixed pace, through broker restarts, until `done` is set."""

    def __init__(self, gateway: Gateway, queue: list[Queued], done: threading.Event) -> None:
        super().__init__()
        self._gateway, self._queue, self._done = gateway, queue, done
        self.messages = len(queue)
        self.per_s = 0.0

    def run(self) -> None:
        begin = time.monotonic()
        for k, (hammer, payload) in enumerate(self._queue):
            self._gateway.send(hammer, "samples", payload)
            ahead = begin + k / PER_S - time.monotonic()
            if ahead > 0.01 and self._done.wait(ahead):
                return
        self._gateway.settle()
        self.per_s = self.messages / (time.monotonic() - begin)


def _make_unavailable(receiver: Receiver, after_s: float, outage_s: float, done: threading.Event) -> None:
    """Make the receiver hang, then refuse, then close connections."""
    wait_s = after_s
    for answer in (Answer(0, wait_s=outage_s / 3, hang_up=True), Answer(503), Answer(0, hang_up=True)):
        if done.wait(wait_s):
            return
        receiver.meanwhile = answer
        wait_s = outage_s / 3
    done.wait(wait_s)
    receiver.meanwhile = None


def event_messages(events: dict[str, list[Event]]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Return (hammer, payload) of each event."""
    for hammer, own in events.items():
        for event in own:
            yield hammer, {"time_ms": event.time // 10**6, "event": event.kind, **event.fields}


def interleave(rows: dict[str, Rows]) -> list[Queued]:
    """Return the messages of all hammers interleaved over the whole time, without the closing rows."""
    places: list[tuple[float, Queued]] = []
    for hammer, size in zip(HAMMERS, SIZES, strict=True):
        own = messages(rows[hammer][:-1], size)
        places += [(k / len(own), (hammer, payload)) for k, payload in enumerate(own)]
    return [queued for _, queued in sorted(places, key=lambda place: place[0])]


def replayed(rows: dict[str, Rows], events: dict[str, list[Event]]) -> dict[str, dict[str, Any]]:
    """Return the alert records of an uninterrupted replay, by id."""
    faults = Faults().by_detector()
    to_ms = {
        hammer: [Event(e.site, e.hammer, e.kind, e.time // 10**6 * 10**6, e.fields) for e in own]
        for hammer, own in events.items()
    }
    return {one["id"]: one for one in replay_shifts([MemoryShift(rows, to_ms)], lambda _: faults).records}


def _compared(
    processor: Processor,
    receiver: Receiver,
    rows: dict[str, Rows],
    events: dict[str, list[Event]],
    publisher: Publisher,
    late_kills: int,
) -> Outcome:
    wanted = replayed(rows, events)
    found = {record["id"]: record for record in processor.alerts()}
    withdrawn = {id_ for (id_,) in processor.query("select id from alerts")} - found.keys()
    return Outcome(
        late_kills,
        publisher.messages,
        publisher.per_s,
        len(wanted),
        len(wanted.keys() - found.keys()),
        len(found.keys() - wanted.keys()),
        sum(
            any(found[id_][name] != wanted[id_][name] for name in COMPARED_FIELDS)
            for id_ in found.keys() & wanted.keys()
        ),
        check_deliveries(receiver.received, wanted, withdrawn),
    )


def parts(scale: float) -> dict[str, Part]:
    """On files with every alert sent by itself, at several sites at once; and on a server with digests, a tenth."""
    kills, restarts = max(4, round(200 * scale)), max(1, round(20 * scale))
    outage_s = max(3.0, 60 * scale)
    sites = max(1, kills // KILLS_PER_SITE)
    site = Disturbance(kills // sites, max(1, restarts // sites), outage_s)
    server = Disturbance(max(4, kills // 10), max(1, restarts // 10), max(3.0, outage_s / 4))
    made: dict[str, Part] = {
        f"SQLite {n}": partial(_on_files, bad=site, seed=2 + n) for n in range(1, sites + 1)
    }
    return {**made, "PostgreSQL": partial(_on_a_server, bad=server)}


def _on_files(folder: Path, bad: Disturbance, seed: int) -> Iterator[Line]:
    yield _line("SQLite", bad, run(folder, bad, seed), storms=False)


def _on_a_server(folder: Path, bad: Disturbance) -> Iterator[Line]:
    with Postgresql() as server:
        outcome = run(folder, bad, 3, storms=True, store={"url": str(server.database())})
        yield _line("PostgreSQL", bad, outcome, storms=True)


def _line(database: str, bad: Disturbance, outcome: Outcome, *, storms: bool) -> Line:
    sent = outcome.sent
    counts = {
        "alerts_missing_in_the_store": outcome.missing,
        "alerts_in_the_store_only": outcome.unexpected,
        "alerts_stored_with_other_values": outcome.different,
        "alerts_never_sent": sent.missing,
        "alerts_sent_that_the_replay_does_not_find": sent.unexpected,
        "alerts_whose_last_message_is_not_their_final_state": sent.different,
        "alerts_sent_out_of_order": sent.out_of_order,
        "alerts_with_a_step_under_two_ids": sent.under_two_ids,
    }
    wrong = broken(**counts)
    if bad.outage_s >= SEEN_S and not sent.refused:
        wrong += ("nobody noticed that the receiver was away",)
    if storms != bool(sent.in_digests):
        wrong += ("no digest was sent" if storms else "digests were sent",)
    done = (
        f"{bad.kills} kills, {bad.broker_restarts} restarts of the broker, receiver away for {bad.outage_s:g} s"
        f", on {database}{', with digests' if storms else ''}"
    )
    figures: Figures = {
        "alerts": outcome.alerts,
        "in_digests": sent.in_digests,
        "raised_again": sent.raised_again,
        "messages_published": outcome.messages,
        "a_second": outcome.per_s,
        "kills_after_the_last": outcome.late_kills,
        "deliveries_accepted": sent.accepted,
        "refused": sent.refused,
        "repeated": sent.repeated,
    }
    return Line(done, {**figures, **counts}, wrong)


TRIAL = Trial(
    "kills",
    "the alerts of an uninterrupted replay, none missing, none extra, each step sent in order under one id",
    parts,
    0.02,
)
