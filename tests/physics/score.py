"""How often blank firing errs: suspicions in shifts of unseen hammers, scored against their labels."""

import itertools
import os
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

import strikewatch
from tests.physics import conductance, waveform, work
from tests.physics.feeds import feed, seconds
from tests.physics.work import Spell, Truth


@dataclass
class Score:
    """Counts over one or more shifts, and what follows from them. `pairs` holds (score, was real) of every
    suspicion.
    """

    found: int = 0
    false: int = 0
    missed: int = 0
    firing_s: float = 0.0
    onset_errors_s: list[float] = field(default_factory=list)
    pairs: list[tuple[float, bool]] = field(default_factory=list)

    @property
    def precision(self) -> float:
        """Share of suspicions that are real."""
        return self.found / max(1, self.found + self.false)

    @property
    def recall(self) -> float:
        """Share of countable spells that were found."""
        return self.found / max(1, self.found + self.missed)

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        return 2 * self.found / max(1, 2 * self.found + self.false + self.missed)

    @property
    def false_per_firing_h(self) -> float:
        """False suspicions per hour of firing."""
        return self.false / max(1e-9, self.firing_s / 3600)

    @property
    def onset_error_s(self) -> float:
        """Median of |onset - start of the spell|."""
        return float(np.median(np.abs(self.onset_errors_s))) if self.onset_errors_s else float("nan")

    def __add__(self, other: "Score") -> "Score":
        return Score(
            self.found + other.found,
            self.false + other.false,
            self.missed + other.missed,
            self.firing_s + other.firing_s,
            self.onset_errors_s + other.onset_errors_s,
            self.pairs + other.pairs,
        )

    def __str__(self) -> str:
        return (
            f"F1 {self.f1:.3f} precision {self.precision:.3f} recall {self.recall:.3f} "
            f"false/h {self.false_per_firing_h:.2f} onset {self.onset_error_s:.2f} s "
            f"({self.found} found, {self.false} false, {self.missed} missed)"
        )


def score(
    truth: Truth,
    suspicions: Sequence[tuple[float, float]],
    scores: Sequence[float] | None = None,
    *,
    counted_s: float = 1.3,
) -> Score:
    """Match suspicions (onset, cleared; seconds since the start) with the labelled spells.

    A suspicion that overlaps any spell, however short, is real and never false. A spell of at least `counted_s`
    is found if a suspicion overlaps it and missed if none does; shorter ones are neutral: neither found nor missed.
    For 1 Hz feeds pass counted_s=3.0.
    """
    out = Score(firing_s=truth.firing_s)
    touched: dict[Spell, float] = {}
    for i, (onset, cleared) in enumerate(suspicions):
        overlapping = [s for s in truth.spells if s.start_s < max(cleared, onset + 1e-6) and s.end_s > onset]
        for spell in overlapping:
            touched.setdefault(spell, onset)
        out.false += not overlapping
        out.pairs.append((1.0 if scores is None else scores[i], bool(overlapping)))
    for spell in truth.spells:
        if round(spell.end_s - spell.start_s, 6) < counted_s:
            continue
        if spell in touched:
            out.found += 1
            out.onset_errors_s.append(touched[spell] - spell.start_s)
        else:
            out.missed += 1
    return out


def suspicions(alerts: pd.DataFrame, end_s: float) -> list[tuple[float, float]]:
    """(onset, cleared) in seconds of the blank_firing alerts of a replay; what never cleared lasts until `end_s`."""
    blank = alerts[alerts["fault"] == "blank_firing"]
    return [
        (seconds(onset), end_s if pd.isna(cleared) else seconds(cleared))
        for onset, cleared in zip(blank["onset"], blank["cleared"], strict=True)
    ]


def brier(pairs: Sequence[tuple[float, bool]]) -> float:
    """Mean squared difference of score and truth (Brier, Monthly Weather Review 78, 1950)."""
    return float(np.mean([(s - real) ** 2 for s, real in pairs])) if pairs else float("nan")


def calibration_error(pairs: Sequence[tuple[float, bool]], bands: int = 10) -> float:
    """Expected calibration error: |mean score - share real| over bands of equal width, weighted by their counts
    (Naeini, Cooper and Hauskrecht, AAAI 2015).
    """
    rows = calibration(pairs, [k / bands for k in range(bands + 1)])
    return sum(n * abs(mean - real) for mean, real, n in rows) / max(1, len(pairs))


def calibration(
    pairs: Sequence[tuple[float, bool]], edges: Sequence[float] = (0, 0.5, 0.7, 0.8, 0.9, 1.0)
) -> list[tuple[float, float, int]]:
    """For each band of scores: mean score, share real, how many."""
    table = []
    for low, high in itertools.pairwise(edges):
        inside = [(s, real) for s, real in pairs if low <= s < high or s == high == edges[-1]]
        if inside:
            table.append(
                (float(np.mean([s for s, _ in inside])), float(np.mean([r for _, r in inside])), len(inside))
            )
    return table


MODELS = {"lumped": work.shift, "conductance": conductance.shift, "waveform": waveform.shift}
"""The models of breakers. Nothing is fitted to or tuned on `waveform`."""
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


@lru_cache(maxsize=1)
def _truth(model: str, seed: int, minutes: float, throttle_change: bool) -> Truth:
    """Simulate a shift, and keep it for the next case: simulating takes longer than everything else."""
    return MODELS[model](seed, minutes, throttle_change=throttle_change)


def measure(case: Case, seed: int, minutes: float) -> Score:
    """Score one shift of one hammer."""
    truth = _truth(case.model, seed, minutes, case.throttle_change)
    alerts = strikewatch.replay(feed(truth, case.feed, engine_rpm=case.engine_rpm))
    blank = alerts[alerts["fault"] == "blank_firing"]
    scores = [evidence["score"] for evidence in blank["evidence"]]
    return score(truth, suspicions(alerts, 60.0 * minutes), scores, counted_s=COUNTED_S.get(case.feed, 1.3))


def measure_all(cases: Sequence[Case], seeds: Iterable[int], minutes: float) -> dict[Case, Score]:
    """Score every case for the same hammers, on all cores."""
    jobs = [(case, seed, minutes) for seed in seeds for case in cases]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        found = list(pool.map(_job, jobs, chunksize=len(cases)))
    totals = dict.fromkeys(cases, Score())
    for (case, _, _), result in zip(jobs, found, strict=True):
        totals[case] += result
    return totals


def _job(job: tuple[Any, ...]) -> Score:
    return measure(*job)
