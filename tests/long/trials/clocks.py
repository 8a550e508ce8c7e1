"""Clocks that are wrong, jump, or go by summer time: the machine's and the hammers'.

Hammers work for a while under simulated clocks. Where the machine's clock jumps, everything must come to what it comes
to with a good one: the same alerts, as fresh, delivered at the same true times. Where a hammer's clock is wrong, its
alerts must be those of a sorted replay of the rows that are not late by its own clock, and nothing else may change.
"""

import json
import tempfile
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND, Instant
from strikewatch.service.recorded.replay import replay_shifts
from strikewatch.settings.faults import Faults
from tests.detectors.recorded import MemoryShift
from tests.long.trials.site import Clocks, SimulatedSite, simulated_site
from tests.service.processor import NO_STORMS

HAMMERS = ("HB-01", "HB-02", "HB-03")
"""The first is the one whose clock a trial bends."""
STEP_NS = SECOND // 5
CLOSING_S = (300, 325)
"""Two last samples, s after the end of work: the second lets the first pass."""
AHEAD_NS = 300 * SECOND
NEARLY_NS = 5 * SECOND
"""A processor that is started anew knows the time by a second or so, if its clock is wrong."""
HOUR_S = 3600.0
YEAR_S = 365.25 * 86_400

Off = Callable[[float], float]
"""How far a clock is off, s, when such a part of the work is done, 0 to 1."""


def right(_done: float) -> float:
    return 0.0


def between(first: float, last: float, off_s: float) -> Off:
    return lambda done: off_s if first <= done < last else 0.0


def flicker(off_s: float) -> Off:
    """Return a clock that is wrong and right in turns, sixteen times in all."""
    return lambda done: off_s if int(done * 32) % 2 == 0 else 0.0


@dataclass(frozen=True)
class Trial:
    """`machine` and `hammer` bend a clock; `restart`: at which parts of the work the processor is started anew.

    `fooled`: up to that part of it the machine's clock is ahead from the start on, which nobody can know.
    """

    name: str
    machine: Off = right
    hammer: Off = right
    restart: tuple[float, ...] = ()
    fooled: float = 0.0
    start: str = "2026-03-04T09:00:00Z"


TRIALS: Sequence[Trial] = (
    Trial("machine 1 h ahead for a while", machine=between(0.3, 0.7, HOUR_S)),
    Trial("machine 1 h back for a while", machine=between(0.3, 0.7, -HOUR_S)),
    Trial("machine 1 h back for good", machine=between(0.3, 2.0, -HOUR_S)),
    Trial("machine jumps back and forth", machine=flicker(-HOUR_S)),
    Trial("machine 1 h ahead at first, then set", machine=between(0.0, 0.5, HOUR_S), fooled=0.5),
    Trial("machine years ahead for a while", machine=between(0.3, 0.7, 9 * YEAR_S)),
    Trial("machine restarted 1 h slow", machine=between(0.3, 0.7, -HOUR_S), restart=(0.3, 0.5)),
    Trial("hammer 9 years slow", hammer=lambda _: -9 * YEAR_S),
    Trial("hammer 9 years ahead, then set", hammer=between(0.0, 0.4, 9 * YEAR_S)),
    Trial("hammer loses 9 years for a while", hammer=between(0.3, 0.6, -9 * YEAR_S)),
    Trial(
        "hammer slow, set, slow again, set", hammer=lambda done: -HOUR_S if int(done * 4) % 2 == 0 else 0.0
    ),
    Trial("hammer jumps back and forth", hammer=flicker(-HOUR_S)),
    Trial("hammer 100 s ahead for a while", hammer=between(0.3, 0.6, 100.0)),
    Trial("a leap second", start="2026-12-31T23:58:20Z"),
)
SHORT = (1, 10)
"""Those of the usual test run."""


def leap(trial: Trial) -> bool:
    return "leap" in trial.name


class Outcome(NamedTuple):
    """Against a sorted replay, and against good clocks: `elsewhere` counts deliveries of the other hammers (where it is
    the machine's clock that is bent, of all) that would not have been made so, or not then. `not_used`: rows."""

    trial: str
    alerts: int
    missing: int
    unexpected: int
    different: int
    historic_wrong: int
    elsewhere: int
    deliveries: int
    not_used: int


class Sample(NamedTuple):
    """What a hammer sends at once: its own times, as numbers and as text, and the values."""

    times: list[Instant]
    written: list[str]
    values: list[dict[str, Any]]


def work(seed: int, number: int, seconds: int) -> list[dict[str, Any]]:
    """Return the measurements of one hammer at 5 Hz: bouts of firing with the oil near its limit."""
    rng = np.random.default_rng([seed, number])
    n = seconds * 5
    active = np.zeros(n, bool)
    i = 0
    while i < n:
        bout = int(rng.integers(20, 160))
        active[i : i + bout] = True
        i += bout + int(rng.choice([3, 9, 10, 11, 40, 300]))
    pressure = np.where(active, 150.0, 20.0) + rng.normal(0, 3, n).round(1)
    oil = 78.5 + 3.0 * np.sin(np.arange(n) / 500.0 + number) + rng.normal(0, 0.1, n).round(1)
    rows = zip(active.tolist(), pressure.round(1).tolist(), oil.round(2).tolist(), strict=True)
    return [{"active": a, "pressure_bar": p, "oil_c": o} for a, p, o in rows]


def sent(trial: Trial, start: Instant, seconds: int, seed: int) -> dict[str, list[Sample]]:
    """Return what each hammer sends in each second, and twice more at the end."""
    midnight = start // (86_400 * SECOND) * 86_400 * SECOND + 86_400 * SECOND
    coming: dict[str, list[Sample]] = {}
    for number, hammer in enumerate(HAMMERS):
        measured = work(seed, number, seconds)
        samples = []
        for k in range(seconds):
            off = instant.seconds(trial.hammer(k / seconds)) if number == 0 else 0
            times = [start + k * SECOND + i * STEP_NS + off for i in range(5)]
            written = [instant.text(at) for at in times]
            if leap(trial) and times[0] >= midnight:
                times = [at - SECOND for at in times]  # the day's last minute had 61 s
                written = [instant.text(at) for at in times]
                if times[0] < midnight:
                    written = [text.replace(":59.", ":60.") for text in written]
                    times = [at + SECOND for at in times]
            samples.append(Sample(times, written, measured[5 * k : 5 * k + 5]))
        for more_s in CLOSING_S:
            at = samples[seconds - 1].times[-1] + more_s * SECOND
            samples.append(Sample([at], [instant.text(at)], [{}]))
        coming[hammer] = samples
    return coming


class Run(NamedTuple):
    alerts: list[dict[str, Any]]
    deliveries: list[tuple[Instant, str, Mapping[str, Any]]]
    not_used: int


def run(
    folder: Path,
    trial: Trial,
    coming: dict[str, list[Sample]],
    start: Instant,
    seconds: int,
    alarms: dict[str, Any],
    **more: Any,
) -> Run:
    """Run the work through the processor, one turn a second."""
    clocks = Clocks(start)
    with simulated_site(folder, clocks, alarms=alarms, **more) as site:
        for k in range(seconds):
            clocks.true = start + (k + 1) * SECOND
            clocks.off_ns = instant.seconds(trial.machine(k / seconds))
            if any(int(part * seconds) == k for part in trial.restart):
                site.restart()
            _turn(site, coming, k)
        for more_s in [*range(5, 331, 5), *range(350, 1050, 50)]:  # in the end, for what waits to be sent
            clocks.true = start + (seconds + more_s) * SECOND
            if more_s in CLOSING_S:
                _turn(site, coming, seconds + CLOSING_S.index(more_s))
            else:
                site.turn()
        ((not_used,),) = site.query("select coalesce(sum(n), 0) from reject_counts")
        return Run(site.alerts(), site.office.received, not_used)


def _turn(site: SimulatedSite, coming: dict[str, list[Sample]], k: int) -> None:
    for hammer, samples in coming.items():
        one = samples[k]
        payload = [{"time": at, **values} for at, values in zip(one.written, one.values, strict=True)]
        site.line.send(hammer, "samples", payload)
    site.turn()


class Wanted(NamedTuple):
    record: dict[str, Any]
    historic: bool


def expected(
    samples: list[Sample], hammer: str, start: Instant, seconds: int, fooled: float = 0.0
) -> dict[str, Wanted]:
    """A sorted replay of what a hammer sent, but rows that are late by its own clock or too far ahead of true time; by
    id. All are found within a minute, so those are historic that bear a time long before the true one.
    """
    times: list[Instant] = []
    came: list[Instant] = []
    values: list[dict[str, Any]] = []
    newest = -1
    for k, one in enumerate(samples):
        true = start + (k + 1 if k < seconds else seconds + CLOSING_S[k - seconds]) * SECOND
        for at, measured in zip(one.times, one.values, strict=True):
            if newest < at <= true + AHEAD_NS:
                newest = at
                times.append(at)
                came.append(true)
                values.append(measured)
    names = ("active", "pressure_bar", "oil_c")
    columns = {name: np.array([float(one.get(name, np.nan)) for one in values]) for name in names}
    faults = Faults().by_detector()
    shift = MemoryShift({hammer: Rows(np.array(times, np.int64), columns)}, {})
    wanted = {}
    for record in replay_shifts([shift], lambda _key: faults).records:
        onset = instant.parse(record["onset"])
        k = bisect_left(times, onset)
        found = came[k]
        if record["fault"] == "signal_lost":  # found as soon as it was silent for so long
            found = min(found, came[k - 1] + onset - times[k - 1])
        late = found - onset > 600 * SECOND or found <= start + instant.seconds(fooled * seconds)
        wanted[record["id"]] = Wanted(record, late)
    return wanted


SAME = ("fault", "hammer", "operator", "priority", "onset", "cleared")


def outcome(folder: Path, trial: Trial, seconds: int, seed: int = 1) -> Outcome:
    """Run one trial and compare it with the same work under good clocks."""
    start = instant.parse(trial.start)
    coming = sent(trial, start, seconds, seed)
    # storms put alerts of several hammers into one message, and what stands at that second
    alarms = {} if trial.hammer is right and not (trial.restart or trial.fooled) else NO_STORMS
    bent = run(folder, trial, coming, start, seconds, alarms)
    good = run_with_good_clocks(trial.start, seconds, seed, storms=not alarms)
    wanted: dict[str, Wanted] = {}
    for hammer in HAMMERS:
        wanted |= expected(coming[hammer], hammer, start, seconds, trial.fooled)
    found = {one["id"]: one for one in bent.alerts}
    both = wanted.keys() & found.keys()
    others = () if leap(trial) else HAMMERS[1:] if trial.hammer is not right else HAMMERS
    return Outcome(
        trial.name,
        len(wanted),
        len(wanted.keys() - found.keys()),
        len(found.keys() - wanted.keys()),
        sum(any(found[id_][name] != wanted[id_].record[name] for name in SAME) for id_ in both),
        sum(found[id_]["historic"] != wanted[id_].historic for id_ in both),
        _elsewhere(bent, good, others),
        len(bent.deliveries),
        bent.not_used,
    )


@cache
def run_with_good_clocks(start: str, seconds: int, seed: int, *, storms: bool) -> Run:
    """Run the same work with good clocks."""
    good, began = Trial("calm", start=start), instant.parse(start)
    coming = sent(good, began, seconds, seed)
    with tempfile.TemporaryDirectory() as folder:
        return run(Path(folder), good, coming, began, seconds, {} if storms else NO_STORMS)


def _elsewhere(bent: Run, good: Run, hammers: Sequence[str]) -> int:
    """Count the deliveries of these hammers that differ in content, or in time by more than the tolerance."""

    def delivered(one: Run) -> dict[tuple[str, str], Instant]:
        return {
            (step, json.dumps(record | {"historic": None}, sort_keys=True)): at
            for at, step, body in one.deliveries
            for record in body.get("alerts", [body])
            if record["hammer"] in hammers
        }

    one, other = delivered(bent), delivered(good)
    both = one.keys() & other.keys()
    return len(one.keys() ^ other.keys()) + sum(abs(one[what] - other[what]) > NEARLY_NS for what in both)
