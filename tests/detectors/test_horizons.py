"""How long after a hammer's last row something may still be found: each detector says so, and the live worker relies on
it. Law: never later, but where the calendar brings it, and then at the instant that the detector gives."""

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
    """Of a detector; those that make up one event of position wait for each other."""
    settings = faults.by_detector()
    together = CAUSES if detector in CAUSES else (detector,)
    return max(one.horizon(settings[one.name]) for one in together)


def looked(pipeline: Pipeline, key: Key, upto: Instant) -> tuple[StepResult, list[Finding]]:
    """Let time pass without rows; what that finds."""
    outcome = pipeline.step(Batch([Portion(key, NO_ROWS, upto)]))
    pipeline.commit(outcome)
    return outcome, outcome.findings


@pytest.mark.parametrize(
    ("made", "seed"), CASES[::8], ids=[f"{one.__name__}-{seed}" for one, seed in CASES[::8]]
)
def test_nothing_is_found_later(made: Callable[[int], Recording], seed: int) -> None:
    dice = random.Random(seed)
    stream = Stream(seed, made)
    for key, rows in stream.rows.items():
        times = rows.time_ns.tolist()
        for last in dice.sample(times, min(len(times), 2)):
            portion = next(stream.portions(key, [last]))
            before = stream.pipeline()
            before.commit(before.step(Batch([portion])))
            for detector in DETECTORS:
                pipeline = stream.pipeline()
                pipeline.restore(key, LAYOUT, before.saved(key))
                outcome, _ = looked(pipeline, key, last + horizon(detector, stream.faults))
                names = {fault.name for fault in detector.faults}
                for _ in range(8):
                    params = pipeline._params[detector.name][0]
                    due = detector.due(outcome.state[0][detector.name], params)
                    upto = min(due - 1, last + YEARS)
                    # Half a day at a time where nothing is due, or the hours of three years would be gone through.
                    upto = min(upto, pipeline.watermark(key) + HOURS) if due == FOREVER else upto
                    if upto > pipeline.watermark(key):
                        outcome, late = looked(pipeline, key, upto)
                        assert [one for one in late if one.fault in names] == []
                    if due == FOREVER or due > last + YEARS:
                        break
                    outcome, found = looked(pipeline, key, due)
                    assert {one.at for one in found if one.fault in names} == {due}


def test_the_horizon_of_a_hammer_is_that_of_its_slowest_detector_and_no_longer() -> None:
    def of(**tables: object) -> float:
        faults = Faults.model_validate(tables)
        return Pipeline(lambda _key: faults.by_detector()).horizon(("fennick-hollow", "HB-01")) / SECOND

    assert of() == 170.0
    assert of(signal_lost={"silence_s": 600.0}) == 600.0
    assert 1000.0 < of(same_spot={"reposition_s": 1000.0}) < 1003.0
