"""Hours kept by a gateway arrive in one burst, shuffled and in part twice, while the other hammers' samples go on.

Through a real broker and the real processor. The alerts must be those of a sorted replay; how long a live sample takes
from its publication to the arrival of the alert that it raises is measured in quiet and during the burst, in one run.
"""

import json
import random
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.service.recorded.replay import replay_shifts
from strikewatch.settings.faults import Faults
from strikewatch.sources.mqtt.network_thread import disconnect
from tests.broker import Broker
from tests.detectors.recorded import MemoryShift
from tests.long.benchmarks.latency import AlertReceiver
from tests.long.trials.clocks import work
from tests.long.trials.trial import Line, Part, Trial, broken
from tests.service.processor import EVERY_FLIP, NO_STORMS, SITE, Processor, now_ns, until

LATE = "HB-99"
"""The hammer whose gateway had no network."""
LIVE = tuple(f"HB-{n:02d}" for n in range(1, 21))
PER_S = 100
"""Live samples a second, of all live hammers together."""
DUPLICATES = REORDERED = 0.2
WARM_S = 3.0
"""Of live samples before anything is measured."""
CLOSING = (300, 325)
IMPOSSIBLE_BAR = 5000.0


class Outcome(NamedTuple):
    """Delays in ms, from publication to arrival of the alert."""

    hours: float
    messages: int
    burst_s: float
    alerts: int
    missing: int
    unexpected: int
    different: int
    duplicates: int
    not_used: int
    quiet: int
    quiet_p50: float
    quiet_p99: float
    burst: int
    burst_p50: float
    burst_p99: float
    burst_max: float

    @property
    def ratio(self) -> float:
        return self.burst_p99 / self.quiet_p99


def shuffled(dice: random.Random, messages: list[Any]) -> list[Any]:
    """Swap a fifth of the messages with the next one and repeat a fifth, at most two places later."""
    order = list(range(len(messages)))
    k = 0
    while k + 1 < len(order):
        if dice.random() < REORDERED / 2:  # each moves two
            order[k], order[k + 1] = order[k + 1], order[k]
            k += 1
        k += 1
    places = [(place + 0.0, i) for place, i in enumerate(order)]
    places += [(place + dice.choice((0.5, 1.5)), i) for place, i in places if dice.random() < DUPLICATES]
    return [messages[i] for _, i in sorted(places)]


class StoredBacklog(NamedTuple):
    """The backlog of a gateway: rows at 5 Hz, and the same rows as messages of one second each."""

    rows: Rows
    payloads: list[bytes]


def make_backlog(seed: int, hours: float) -> StoredBacklog:
    seconds = round(hours * 3600)
    start = now_ns() - (seconds + 60) * SECOND
    measured = work(seed, 0, seconds)
    times = start + np.arange(5 * seconds, dtype=np.int64) * (SECOND // 5)
    columns = {name: np.array([float(one[name]) for one in measured]) for name in measured[0]}
    payloads = []
    for k in range(0, len(measured), 5):
        values = {name: [one[name] for one in measured[k : k + 5]] for name in measured[0]}
        payloads.append(json.dumps({"time": instant.text(int(times[k])), "step_s": 0.2, **values}).encode())
    return StoredBacklog(Rows(times, columns), payloads)


class LivePublisher:
    """The other hammers: samples at their pace until `stop` is set, every tenth of a hammer impossible."""

    def __init__(self, broker: Broker, seed: int) -> None:
        self.sent: dict[str, float] = {}
        self._dice = random.Random(seed)
        self._rows: dict[str, list[tuple[Instant, bool]]] = {hammer: [] for hammer in LIVE}
        self._stop = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="live")
        self._client.max_inflight_messages_set(500)
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()
        until(self._client.is_connected)
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def stop(self) -> None:
        """The last samples too, long after the others: the second lets the first pass."""
        self._stop.set()
        self._thread.join()
        for more_s in CLOSING:
            for hammer, rows in self._rows.items():
                self._publish(hammer, {"time_ms": (rows[-1][0] + more_s * SECOND) // 10**6})
        time.sleep(0.5)
        disconnect(self._client)

    def rows(self) -> dict[str, Rows]:
        found = {}
        for hammer, rows in self._rows.items():
            times = [at for at, _ in rows]
            bar = [IMPOSSIBLE_BAR if bad else 20.0 for _, bad in rows]
            times.append(times[-1] // 10**6 * 10**6 + CLOSING[0] * SECOND)
            columns = {
                "active": np.array([0.0] * len(bar) + [np.nan]),
                "pressure_bar": np.array([*bar, np.nan]),
            }
            found[hammer] = Rows(np.array(times, np.int64), columns)
        return found

    def _run(self) -> None:
        begin, start, k = time.perf_counter(), now_ns(), 0
        back: tuple[str, Any] | None = None
        while not self._stop.is_set():
            time.sleep(max(0.0, begin + k / PER_S - time.perf_counter()))
            hammer, turn = LIVE[k % len(LIVE)], k // len(LIVE)
            at = start + turn * (SECOND * len(LIVE) // PER_S)
            bad = (turn + k) % 10 == 0
            self._rows[hammer].append((at, bad))
            sample = {
                "time": instant.text(at),
                "active": False,
                "pressure_bar": IMPOSSIBLE_BAR if bad else 20.0,
            }
            if bad:
                self.sent[hammer + instant.text(at)] = time.perf_counter()
            self._publish(hammer, sample)
            if self._dice.random() < DUPLICATES:
                back = hammer, sample
            elif back is not None:
                self._publish(*back)
                back = None
            k += 1

    def _publish(self, hammer: str, sample: Any) -> None:
        self._client.publish(f"strikewatch/{SITE}/{hammer}/samples", json.dumps(sample), qos=1)


def outcome(folder: Path, hours: float, quiet_s: float, per_s: float = 0.0, seed: int = 1) -> Outcome:
    """Run the trial. `per_s`: how many kept messages the gateway sends a second; 0: as fast as it can."""
    late = make_backlog(seed, hours)
    payloads = shuffled(random.Random(seed), late.payloads)
    (folder / "kept").write_bytes(b"\n".join(payloads))
    desk = AlertReceiver()
    with Broker(folder / "broker", max_inflight=50_000) as broker:
        processor = Processor(
            folder / "processor", broker, desk.url, alarms=NO_STORMS, log={"level": "warning"}, **EVERY_FLIP
        ).start(connected=False)
        until(lambda: "strikewatch" in broker.log and "samples" in broker.log)
        live = LivePublisher(broker, seed)
        try:
            topic = f"strikewatch/{SITE}/{LATE}/samples"
            command = [sys.executable, "-m", "tests.long.trials.burst", str(folder / "kept")]
            command += [broker.host, str(broker.port), topic, str(per_s)]
            pipe = subprocess.PIPE
            with subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True) as gateway:
                assert gateway.stdin is not None
                assert gateway.stdout is not None
                assert gateway.stdout.readline() == "ready\n"
                time.sleep(WARM_S + quiet_s)
                began = time.perf_counter()
                gateway.stdin.write("go\n")
                gateway.stdin.close()
                assert gateway.wait() == 0
            last = int(late.rows.time_ns[-1])
            processor.wait_until_processed(LATE, last - 10 * SECOND)
            ended = time.perf_counter()
            time.sleep(1.0)
            live.stop()
            for at in CLOSING:
                _closing(broker, last + at * SECOND)
            processor.wait_until_processed(LATE, last + CLOSING[0] * SECOND)
            for hammer, rows in live.rows().items():
                processor.wait_until_processed(hammer, int(rows.time_ns[-1]))
            processor.wait_until_committed()
            assert processor.stop() == 0
        finally:
            processor.end()
            desk.close()
        return _compared(processor, desk, live, late, len(payloads), (began, ended), quiet_s, hours)


def _closing(broker: Broker, at: Instant) -> None:
    one = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="closing")
    one.connect(broker.host, broker.port)
    one.loop_start()
    topic = f"strikewatch/{SITE}/{LATE}/samples"
    one.publish(topic, json.dumps({"time_ms": at // 10**6}), qos=1).wait_for_publish(10)
    disconnect(one)


def _compared(
    processor: Processor,
    desk: AlertReceiver,
    live: LivePublisher,
    late: StoredBacklog,
    messages: int,
    burst: tuple[float, float],
    quiet_s: float,
    hours: float,
) -> Outcome:
    rows = live.rows()
    closing = int(late.rows.time_ns[-1]) // 10**6 * 10**6 + CLOSING[0] * SECOND
    nothing = {name: np.append(column, np.nan) for name, column in late.rows.columns.items()}
    rows[LATE] = Rows(np.append(late.rows.time_ns, closing), nothing)
    faults = Faults(sensor_fault=EVERY_FLIP["faults.sensor_fault"]).by_detector()
    wanted: dict[str, dict[str, Any]] = {}
    for hammer, own in rows.items():
        shift = MemoryShift({hammer: own}, {})
        wanted |= {one["id"]: one for one in replay_shifts([shift], lambda _key: faults).records}
    found = {one["id"]: one for one in processor.alerts()}
    same = ("fault", "hammer", "operator", "priority", "onset", "cleared")
    counts = dict(processor.query("select reason, n from reject_counts"))
    began, ended = burst
    delays: dict[str, list[float]] = {"quiet": [], "burst": []}
    for name, at in live.sent.items():
        if name in desk.came:
            when = "burst" if began <= at < ended else "quiet" if began - quiet_s <= at < began else ""
            delays.setdefault(when, []).append(1e3 * (desk.came[name] - at))
    quiet, loud = delays["quiet"], delays["burst"]
    return Outcome(
        hours,
        messages,
        ended - began,
        len(wanted),
        len(wanted.keys() - found.keys()),
        len(found.keys() - wanted.keys()),
        sum(
            any(found[id_][name] != wanted[id_][name] for name in same)
            for id_ in wanted.keys() & found.keys()
        ),
        counts.pop("duplicate", 0),
        sum(counts.values()),
        len(quiet),
        float(np.percentile(quiet, 50)),
        float(np.percentile(quiet, 99)),
        len(loud),
        float(np.percentile(loud, 50)),
        float(np.percentile(loud, 99)),
        max(loud),
    )


PACED_PER_S = 1000.0
"""A thousand times life: what a fast line of many round trips a second carries."""
HOURS = 8.0


def parts(scale: float) -> dict[str, Part]:
    """The gateway sends as fast as it can, and, in the longer forms, at a pace."""
    hours, quiet_s = max(HOURS * scale, 0.2), max(30.0 * scale, 2.0)
    made: dict[str, Part] = {"at once": partial(_trial, hours=hours, quiet_s=quiet_s, per_s=0.0)}
    if scale > 0.1:
        made["paced"] = partial(_trial, hours=hours, quiet_s=quiet_s, per_s=PACED_PER_S)
    return made


def _trial(folder: Path, hours: float, quiet_s: float, per_s: float) -> Iterator[Line]:
    """What must be equal is a verdict; the ratio of latencies is a figure, since other work on the machine is in it."""
    one = outcome(folder, hours, quiet_s, per_s)
    pace = f"at {per_s:g} messages/s" if per_s else "at once"
    yield Line(
        f"{hours:g} h in one burst, {pace}, a fifth of it twice, a fifth out of order, {len(LIVE)} live hammers",
        {**one._asdict(), "ratio_of_p99": one.ratio},
        broken(missing=one.missing, unexpected=one.unexpected, different=one.different),
    )


TRIAL = Trial(
    "backlog",
    "the alerts are those of a sorted replay; live latency at p99 no worse than three times the quiet one",
    parts,
    0.02,
    alone=True,
)
