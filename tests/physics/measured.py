"""How often blank firing errs, by feed: replays of shifts of unseen hammers, scored against their labels."""

import os
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import reduce
from operator import add
from typing import Any, NamedTuple

import strikewatch
from tests.physics import conductance, waveform, work
from tests.physics.feeds import feed
from tests.physics.score import Score, score, suspicions

MODELS = {"lumped": work.shift, "conductance": conductance.shift, "waveform": waveform.shift}
"""The models of breakers. `waveform` is held out: nothing is fitted or tuned on it."""
COUNTED_S = {"1Hz_mean": 3.0, "1Hz": 3.0, "2Hz": 2.0}
"""Spells that count, where the feed is too slow for 1.3 s."""


class Case(NamedTuple):
    """One condition: which feed, whether engine speed is known, whether the throttle was changed; which model."""

    feed: str
    engine_rpm: bool = True
    throttle_change: bool = False
    model: str = "lumped"

    @property
    def kind(self) -> str:
        """The kind of feed that it is to a detector."""
        return f"{self.feed}, {'' if self.engine_rpm else 'no '}engine speed"


def measure(case: Case, seed: int, minutes: float) -> Score:
    """One shift of one hammer."""
    truth = MODELS[case.model](seed, minutes, throttle_change=case.throttle_change)
    alerts = strikewatch.replay(feed(truth, case.feed, engine_rpm=case.engine_rpm))
    blank = alerts[alerts["fault"] == "blank_firing"]
    scores = [evidence["score"] for evidence in blank["evidence"]]
    return score(truth, suspicions(alerts, 60.0 * minutes), scores, counted_s=COUNTED_S.get(case.feed, 1.3))


def over(cases: Sequence[Case], seeds: Iterable[int], minutes: float) -> dict[Case, Score]:
    """Every case over the same hammers, on all cores."""
    jobs = [(case, seed, minutes) for seed in seeds for case in cases]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        found = list(pool.map(_job, jobs, chunksize=len(cases)))
    of: dict[Case, list[Score]] = {case: [] for case in cases}
    for (case, _, _), one in zip(jobs, found, strict=True):
        of[case].append(one)
    return {case: reduce(add, scores, Score()) for case, scores in of.items()}


def _job(job: tuple[Any, ...]) -> Score:
    return measure(*job)
