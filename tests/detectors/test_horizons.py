"""Horizons: a detector finds nothing later after the last row than it declares, as the live worker relies on.

Only the calendar may bring a later finding, at the instant that the detector declares (`due`).
"""

import random
from collections.abc import Callable

import pytest

from strikewatch.core.batch import NO_ROWS, Batch, Key, Portion
from strikewatch.core.finding import Finding
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.base import FOREVER, Detector
from strikewatch.detectors.registry import DETECTORS
from strikewatch.engine.grouping import CAUSES
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.state import LAYOUT
from strikewatch.engine.step_result import StepResult
from strikewatch.settings.faults import Faults
from tests.detectors.test_laws import CASES, Stream
from tests.twins.streams import Stream as Recording

YEARS = 3 * 365 * 86_400 * SECOND
HOURS = 12 * 3600 * SECOND


def horizon(detector: Detector, faults: Faults) -> int:
    """Return the horizon of a detector; detectors of one grouped alert wait for each other."""
    settings = faults.by_detector()
    group = CAUSES if detector in CAUSES else (detector,)
    return max(member.horizon(settings[member.name]) for member in group)


def advance(pipeline: Pipeline, key: Key, upto: Instant) -> tuple[StepResult, list[Finding]]:
    """Let time pass without rows; return the result and its findings."""
    outcome = pipeline.step(Batch([Portion(key, NO_ROWS, upto)]))
    pipeline.commit(outcome)
    return outcome, outcome.findings


@pytest.mark.parametrize(
    ("make", "seed"), CASES[::8], ids=[f"{make.__name__}-{seed}" for make, seed in CASES[::8]]
)
def test_nothing_is_found_after_the_horizon_except_by_the_calendar(
    make: Callable[[int], Recording], seed: int
) -> None:
    rng = random.Random(seed)
    stream = Stream(seed, make)
    for key, rows in stream.rows.items():
        times = rows.time_ns.tolist()
        for last in rng.sample(times, min(len(times), 2)):
            portion = next(stream.portions(key, [last]))
            before = stream.pipeline()
            before.commit(before.step(Batch([portion])))
            for detector in DETECTORS:
                pipeline = stream.pipeline()
                pipeline.restore(key, LAYOUT, before.saved(key))
                outcome, _ = advance(pipeline, key, last + horizon(detector, stream.faults))
                names = {fault.name for fault in detector.faults}
                for _ in range(8):
                    params = pipeline._profiles.params[detector.name][pipeline._profiles[key].slot]
                    due = detector.due(outcome.state[0][detector.name], params)
                    upto = min(due - 1, last + YEARS)
                    # Half a day at a time if nothing is due; three years would take too long.
                    upto = min(upto, pipeline.watermark(key) + HOURS) if due == FOREVER else upto
                    if upto > pipeline.watermark(key):
                        outcome, late = advance(pipeline, key, upto)
                        assert [finding for finding in late if finding.fault in names] == []
                    if due == FOREVER or due > last + YEARS:
                        break
                    outcome, found = advance(pipeline, key, due)
                    assert {finding.at for finding in found if finding.fault in names} == {due}


def test_the_horizon_of_a_hammer_is_the_longest_of_its_detectors() -> None:
    def horizon_s(**tables: object) -> float:
        faults = Faults.model_validate(tables)
        return Pipeline(lambda _key: faults.by_detector()).horizon(("fennick-hollow", "HB-01")) / SECOND

    assert horizon_s() == 170.0
    assert horizon_s(signal_lost={"silence_s": 600.0}) == 600.0
    assert 1000.0 < horizon_s(same_spot={"reposition_s": 1000.0}) < 1003.0
